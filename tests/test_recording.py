"""Recordings as a converter: the recording's own time, gaps, rails, bounded memory, and files that fail on the way."""

from __future__ import annotations

import contextlib
import struct
import tracemalloc

import numpy as np
import pytest

from flattop.converters.recording import RecordingConverter
from flattop.converters.volt_files import BLOCK
from flattop.errors import FlattopError, RecordingError, SettingsError
from flattop.samples import Clock, Input
from wav_bytes import fmt, riff, wav


@pytest.fixture
def opened():
    """Make converters that are closed again at the end."""
    with contextlib.ExitStack() as stack:

        def open_it(path, **arguments):
            converter = RecordingConverter(path, **arguments)
            stack.callback(converter.close)
            return converter

        yield open_it


@pytest.fixture
def ramp(stored):
    """Three seconds at 1 kHz; the code is the number of the sample."""
    return stored(wav(np.arange(3000, dtype="<i2").tobytes(), rate=1000))


def test_collect_goes_along_in_the_recordings_own_time(ramp, opened):
    converter = opened(ramp, full_scale_v=32768.0)
    assert (converter.name, converter.input, converter.start_s, converter.end_s) == ("recording", "speaker", 0.0, 2.999)
    assert len(converter.latest(1.0)) == 0
    for until_s, newest in ((0.0, 0), (0.1, 100), (0.1, 100), (0.1234, 123), (2.9985, 2998)):
        assert converter.collect(until_s) is True
        assert converter.latest(1.0).volts[-1] == newest
    assert converter.collect(2.999) is False
    assert converter.collect(1e9) is False
    block = converter.latest(0.25)
    assert block.volts.tolist() == list(range(2750, 3000))
    assert block.times_s.tolist() == [n / 1000 for n in range(2750, 3000)]
    converter.close()
    converter.close()
    assert converter.collect(1e9) is False


def test_every_sample_is_served_once_whatever_the_pace(ramp, opened):
    rng = np.random.default_rng(4)
    converter = opened(ramp, full_scale_v=32768.0)
    seen, now_s, more = [], 0.0, True
    while more:
        now_s += rng.uniform(0.0, 0.3)
        more = converter.collect(now_s)
        block = converter.latest(2.0)
        seen += [volts for volts in block.volts.tolist() if not seen or volts > seen[-1]]
    assert seen == list(range(3000))


def test_latest_looks_back_no_further_than_is_kept(ramp, opened):
    converter = opened(ramp, full_scale_v=1.0, keep_s=0.5)
    converter.collect(2.0)
    assert len(converter.latest(0.1)) == 100
    assert len(converter.latest(9.0)) == 500
    with pytest.raises(ValueError, match="keep_s is 0"):
        opened(ramp, full_scale_v=1.0, keep_s=0)


def test_facts_and_quality(ramp, stored, opened):
    converter = opened(ramp, full_scale_v=180.0, input=Input.LINE)
    converter.collect(1.0)
    facts, quality = converter.latest(0.5).facts, converter.latest(0.5).quality
    assert (facts.converter, facts.input, facts.full_scale_v) == ("recording", Input.LINE, 180.0)
    assert facts.lsb_v == 180.0 / 32768
    # Uniform quantising noise: one step over the root of twelve (W. R. Bennett, Bell System Technical Journal, 1948;
    # from memory).
    assert facts.noise_v == pytest.approx(facts.lsb_v / 12**0.5)
    assert (facts.calibrated, facts.simulated, facts.gain_u, facts.offset_u_v) == (False, False, 0.0, 0.0)
    assert facts.tone_band_hz == pytest.approx((10.0, 1000 / 6))
    assert facts.harmonics_to_hz == 450.0
    assert facts.response(np.array([10.0, 400.0])).tolist() == [1.0, 1.0]
    assert (quality.rate_hz, quality.clock, quality.missed, quality.saturated) == (1000.0, Clock.EVEN, 0, 0)
    full_band = opened(stored(wav(bytes(8), rate=48000)), full_scale_v=1.0)
    assert full_band.latest(1.0).facts.harmonics_to_hz == 20000.0


def test_samples_at_the_rails_are_counted_within_the_block_only(stored, opened):
    codes = np.zeros(3000, "<i2")
    codes[[10, 2900, 2950]] = [32767, -32768, 32767]
    converter = opened(stored(wav(codes.tobytes(), rate=1000)), full_scale_v=1.0)
    converter.collect(5.0)
    assert converter.latest(0.2).quality.saturated == 2
    assert converter.latest(0.07).quality.saturated == 1


def test_only_the_recordings_own_input_can_be_selected(ramp, opened):
    converter = opened(ramp, full_scale_v=1.0, input=Input.LINE)
    converter.select(Input.LINE)
    converter.hold_range(True)
    with pytest.raises(SettingsError, match="recording is of the line input, speaker is asked for"):
        converter.select(Input.SPEAKER)


@pytest.fixture
def gapped(stored):
    """Two seconds at 1 kHz, of which 0.5 s to 0.8 s are missing; the level is the number of the millisecond."""
    kept = [n for n in range(2000) if not 500 <= n < 800]
    return stored("time_s,volts\r\n" + "".join(f"{n / 1000},{n}\r\n" for n in kept))


def test_what_lies_before_a_gap_is_never_joined_with_what_lies_after(gapped, opened):
    converter = opened(gapped)
    converter.collect(0.499)
    assert (len(converter.latest(1.0)), converter.latest(1.0).quality.missed) == (500, 0)
    converter.collect(0.7)
    inside = converter.latest(1.0)
    assert (len(inside), inside.quality.missed) == (0, 200)
    converter.collect(0.9)
    after = converter.latest(1.0)
    assert after.volts.tolist() == list(range(800, 901))
    assert after.quality.missed == 300
    partly = converter.latest(0.15)
    assert (len(partly), partly.quality.missed) == (101, 49)
    converter.collect(1.9)
    whole = converter.latest(0.5)
    assert (len(whole), whole.quality.missed) == (500, 0)


def test_a_few_missing_samples_are_counted_and_do_not_part_the_block(stored, opened):
    kept = [n for n in range(1000) if n not in (500, 501, 700)]
    converter = opened(stored("time_s,volts\n" + "".join(f"{n / 1000},0\n" for n in kept)))
    converter.collect(2.0)
    block = converter.latest(1.0)
    assert (len(block), block.quality.missed) == (997, 3)


def test_a_file_that_changes_while_it_is_read_is_an_error_in_words(tmp_path, ramp, opened):
    long = tmp_path / "long"
    long.write_bytes(wav(bytes(2 * 20 * BLOCK)))
    converter = opened(long, full_scale_v=1.0)
    with long.open("r+b") as file:
        file.truncate(3 * BLOCK)
    with pytest.raises(RecordingError, match="became shorter while it was read"):
        converter.collect(1e6)
    assert issubclass(RecordingError, FlattopError)


def test_very_many_channels_are_read_in_blocks_of_bounded_size(tmp_path, opened):
    path = tmp_path / "wide"
    header = riff(fmt(channels=8000, bits=64, tag=3)) + b"data" + struct.pack("<I", 64000 * 1000)
    with path.open("wb") as file:
        file.write(header)
        file.truncate(len(header) + 64000 * 1000)
    tracemalloc.start()
    converter = opened(path, full_scale_v=1.0, channel=8000)
    assert converter.collect(1e9) is False
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(converter.latest(1.0)) == 1000
    assert peak < 10e6


def test_a_card_that_fails_while_a_recording_is_read_is_an_error_in_words(ramp, opened, monkeypatch):
    converter = opened(ramp, full_scale_v=1.0)

    def broken(_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(converter._recording, "read", broken)
    with pytest.raises(RecordingError, match=r"recording .* cannot be read on \(Input/output error\); check the card"):
        converter.collect(1.0)


def test_three_hours_pass_through_a_few_megabytes(tmp_path, opened):
    rate, seconds = 4000, 3 * 3600
    path = tmp_path / "long"
    header = b"RIFF\0\0\0\0WAVE" + fmt(channels=2, rate=rate) + b"data" + struct.pack("<I", 4 * rate * seconds)
    with path.open("wb") as file:
        file.write(header)
        file.truncate(len(header) + 4 * rate * seconds)  # sparse: no disk is filled
    tracemalloc.start()
    converter = opened(path, full_scale_v=180.0, channel=2)
    now_s = 0.0
    while converter.collect(now_s):
        now_s += 5.0
        assert len(converter.latest(2.0)) <= 2 * rate
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert converter.end_s == seconds - 1 / rate
    assert peak < 4e6


def test_a_long_csv_file_passes_through_a_few_megabytes(tmp_path, opened):
    path = tmp_path / "long.csv"
    with path.open("w") as file:
        file.write("time_s,volts\n")
        file.writelines(f"{n / 1000},1.0\n" for n in range(40_000))
    tracemalloc.start()
    converter = opened(path, full_scale_v=180.0)
    assert converter.collect(1e9) is False
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert converter.latest(1.0).volts.tolist() == [1.0] * 1000
    assert peak < 2e6


def test_a_recording_cut_off_is_measured_as_far_as_it_goes_and_says_so(stored, opened):
    content = wav(np.arange(1000, dtype="<i2").tobytes())[: -(2 * 400 + 1)]
    converter = opened(stored(content), full_scale_v=32768.0)
    assert converter.collect(9.0) is False
    assert converter.latest(1.0).volts.tolist() == list(range(599))
    assert converter.notes == (
        "cut off: the header promises 2000 bytes of samples, 1199 are there",
        "1 bytes at the end are no whole sample and were left out",
    )


def test_a_level_that_is_no_number_deep_in_a_file_is_refused_with_its_place(stored, opened):
    values = np.zeros(3 * BLOCK, "<f4")
    values[2 * BLOCK + 5] = np.nan
    converter = opened(stored(wav(values.tobytes(), tag=3, bits=32)), full_scale_v=1.0)
    assert converter.collect(1.0)
    with pytest.raises(RecordingError, match=f"sample {2 * BLOCK + 5} "):
        converter.collect(10.0)
