"""Files of volts: exact levels from every coding, made by other programs; every bad file refused in words.

Sources: RIFF/WAVE (IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0, 1991), format tags
RFC 2361, CSV RFC 4180. The makers that are independent of the reader: wave (standard library), scipy, ffmpeg, sox.
"""

from __future__ import annotations

import struct
import subprocess
import wave

import numpy as np
import pytest
import scipy.io.wavfile
from hypothesis import given
from hypothesis import strategies as st

from flattop.converters.volt_files import BLOCK, open_recording
from flattop.errors import RecordingError
from wav_bytes import chunk, extensible, fmt, riff, wav

ALAW, MP3 = 0x0006, 0x0055  # RFC 2361


def everything(path, **arguments):
    """All samples of a file, and its reader."""
    arguments = {"full_scale_v": 1.0} | arguments
    reader = open_recording(path, **arguments)
    blocks = []
    while block := reader.read(float("inf")):
        assert len(block.times_s) <= BLOCK
        blocks.append(block)
    reader.close()
    reader.close()
    return (
        np.concatenate([block.times_s for block in blocks]),
        np.concatenate([block.volts for block in blocks]),
        np.concatenate([block.railed for block in blocks]),
        reader,
    )


def refused(path, **arguments):
    arguments = {"full_scale_v": 180.0} | arguments
    with pytest.raises(RecordingError) as caught:
        open_recording(path, **arguments)
    message = str(caught.value)
    assert str(path) in message
    return message


# --- codings -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_code_zero_mid_scale_and_both_rails_of_every_integer_width(stored, bits):
    half = 2 ** (bits - 1)
    codes = [0, half // 2, -half // 2, 1, -1, half - 1, -half]
    if bits == 8:  # eight bits alone are written with an offset
        data = bytes(code + 128 for code in codes)
    else:
        data = b"".join(code.to_bytes(bits // 8, "little", signed=True) for code in codes)
    times_s, volts, railed, reader = everything(stored(wav(data, bits=bits)), full_scale_v=180.0)
    assert volts.tolist() == [code * 180.0 / half for code in codes]
    assert volts[0] == 0.0
    assert volts[1] == 90.0
    assert volts[-1] == -180.0
    assert railed.tolist() == [False] * 5 + [True, True]
    assert reader.lsb_v == 180.0 / half
    assert times_s.tolist() == [n / 8000 for n in range(7)]


@pytest.mark.parametrize("kind", ["<f4", "<f8"])
def test_floating_point_is_exact_and_has_neither_steps_nor_rails(stored, kind):
    values = np.array([0.0, 0.5, -1.0, 1.0, 1.25, -1e-6], dtype=kind)
    content = wav(values.tobytes(), tag=3, bits=8 * values.itemsize)
    _, volts, railed, reader = everything(stored(content), full_scale_v=100.0)
    assert volts.tolist() == (values.astype(np.float64) * 100.0).tolist()
    assert not railed.any()
    assert reader.lsb_v == 0.0


def test_twenty_filled_bits_of_twenty_four_set_the_step_and_the_rail(stored):
    codes = [0, 16, (2**19 - 1) * 16, (2**19 - 2) * 16, -(2**23)]
    data = b"".join(code.to_bytes(3, "little", signed=True) for code in codes)
    content = wav(data, tag=0xFFFE, bits=24, extra=extensible(valid=20))
    _, volts, railed, reader = everything(stored(content))
    assert reader.lsb_v == 2.0**-19
    assert volts[1] == reader.lsb_v
    assert railed.tolist() == [False, False, True, False, True]


@given(
    data=st.data(),
    width=st.sampled_from([1, 2, 3, 4]),
    channels=st.integers(1, 5),
    frames=st.integers(2, 60),
    rate=st.sampled_from([100, 3300, 44100, 192000]),
)
def test_files_of_the_standard_library_come_back_exactly(tmp_path_factory, data, width, channels, frames, rate):
    path = tmp_path_factory.getbasetemp() / "wave"
    raw = data.draw(st.binary(min_size=width * channels * frames, max_size=width * channels * frames))
    channel = data.draw(st.integers(1, channels))
    with wave.open(str(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(width)
        file.setframerate(rate)
        file.writeframes(raw)
    column = [raw[at : at + width] for at in range((channel - 1) * width, len(raw), width * channels)]
    codes = [one[0] - 128 if width == 1 else int.from_bytes(one, "little", signed=True) for one in column]
    times_s, volts, _, reader = everything(path, channel=channel, full_scale_v=64.0)
    assert volts.tolist() == [code * 64.0 / 2 ** (8 * width - 1) for code in codes]
    assert times_s.tolist() == [n / rate for n in range(frames)]
    assert reader.notes == ()


@given(
    values=st.lists(st.floats(-1.5, 1.5, width=32), min_size=4, max_size=64).filter(lambda held: len(held) % 2 == 0),
    kind=st.sampled_from(["<f4", "<f8"]),
)
def test_floating_point_files_of_scipy_come_back_exactly(tmp_path_factory, values, kind):
    path = tmp_path_factory.getbasetemp() / "scipy"
    stereo = np.array(values, dtype=kind).reshape(-1, 2)
    scipy.io.wavfile.write(path, 48000, stereo)
    for channel in (1, 2):
        assert everything(path, channel=channel)[1].tolist() == stereo[:, channel - 1].astype(np.float64).tolist()


FFMPEG_CODINGS = {"pcm_u8": 8, "pcm_s16le": 16, "pcm_s24le": 24, "pcm_s32le": 32, "pcm_f32le": 24, "pcm_f64le": 50}


@pytest.mark.parametrize(("coding", "bits"), FFMPEG_CODINGS.items())
def test_a_tone_made_by_ffmpeg_is_read_to_within_one_step(tmp_path, need, coding, bits):
    path = tmp_path / "tone"
    # Six channels of 24 bits make it write WAVE_FORMAT_EXTENSIBLE.
    made = "aevalsrc=0|0|0|0.5*sin(2*PI*40*t)|0|0:s=48000:d=0.5:c=5.1"
    command = [need("ffmpeg"), "-v", "error", "-f", "lavfi", "-i", made, "-c:a", coding, "-f", "wav", str(path)]
    subprocess.run(command, check=True, timeout=60)
    assert path.read_bytes()[20:22] == b"\xfe\xff"
    times_s, volts, _, reader = everything(path, channel=4, full_scale_v=180.0)
    assert len(volts) == 24000
    # ffmpeg rounds or cuts on the way to whole codes: one step at most.
    assert np.max(np.abs(volts - 90.0 * np.sin(2 * np.pi * 40 * times_s))) <= 180.0 * 2.0 ** (1 - bits)
    assert np.all(everything(path, channel=1)[1] == 0.0)
    assert reader.notes == ()


def test_a_stream_of_ffmpeg_that_never_learnt_its_length_is_read_to_its_end(tmp_path, need):
    made = "aevalsrc=0.5*sin(2*PI*40*t):s=8000:d=0.5"
    command = [need("ffmpeg"), "-v", "error", "-f", "lavfi", "-i", made, "-c:a", "pcm_s16le", "-f", "wav", "pipe:1"]
    path = tmp_path / "streamed"
    path.write_bytes(subprocess.run(command, check=True, timeout=60, stdout=subprocess.PIPE).stdout)
    _, volts, _, reader = everything(path)
    assert len(volts) == 4000
    assert "gives no length (a streamed recording): read to the end" in reader.notes[0]


@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_a_tone_made_by_sox_is_read_to_within_one_step(tmp_path, need, bits):
    path = tmp_path / "tone.wav"
    command = [need("sox"), "-D", "-n", "-r", "48000", "-b", str(bits), "-c", "2", str(path)]
    subprocess.run([*command, "synth", "0.5", "sine", "40", "vol", "0.5"], check=True, timeout=60)
    times_s, volts, _, _ = everything(path, channel=2, full_scale_v=180.0)
    assert len(volts) == 24000
    # sox counts to 31 bits inside, and its table of sines is not finer than that.
    step = 2.0 ** (1 - min(bits, 30))
    assert np.max(np.abs(volts - 90.0 * np.sin(2 * np.pi * 40 * times_s))) <= 180.0 * step


def test_a_stream_of_sox_promises_too_much_and_is_read_as_far_as_it_goes(tmp_path, need):
    command = [need("sox"), "-D", "-n", "-r", "8000", "-b", "16", "-t", "wav", "-", "synth", "0.5", "sine", "40"]
    path = tmp_path / "streamed"
    path.write_bytes(subprocess.run(command, check=True, timeout=60, stdout=subprocess.PIPE).stdout)
    _, volts, _, reader = everything(path)
    assert len(volts) == 4000
    assert len(reader.notes) == 1


# --- the container ---------------------------------------------------------------------------------------------------


def test_other_chunks_of_odd_and_even_length_are_passed_over(stored):
    content = wav(
        b"\1\0\2\0", before=[chunk(b"LIST", b"odd"), chunk(b"fact", b"\2\0\0\0")], after=[chunk(b"id3 ", b"x" * 9)]
    )
    _, volts, _, reader = everything(stored(content), full_scale_v=32768.0)
    assert volts.tolist() == [1.0, 2.0]
    assert reader.notes == ()


@pytest.mark.parametrize("length", [0, 0xFFFFFFFF])
def test_a_streamed_recording_without_a_length_is_read_to_the_end(stored, length):
    content = b"RIFF\xff\xff\xff\xffWAVE" + fmt() + b"data" + struct.pack("<I", length) + b"\1\0" * 50
    _, volts, _, reader = everything(stored(content), full_scale_v=32768.0)
    assert volts.tolist() == [1.0] * 50
    assert "streamed recording" in reader.notes[0]


def test_the_name_of_a_file_does_not_matter(stored):
    assert len(everything(stored(wav(b"\1\0\2\0"), "tone.csv"))[1]) == 2
    assert len(everything(stored("time_s,volts\n0,1\n0.001,2\n", "tone.wav"))[1]) == 2


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty; record it again"),
        (b"RF64" + bytes(40), "is a RF64 file; allowed are RIFF"),
        (b"RIFX" + bytes(40), "is a RIFX file; allowed are RIFF"),
        (b"RIFF", "of the form b'\\x00\\x00\\x00\\x00'; allowed is b'WAVE'"),
        (riff(form=b"AVI "), "of the form b'AVI '; allowed is b'WAVE'"),
        (riff(fmt()), "ends before its samples (no data chunk); it was cut off"),
        (riff(chunk(b"data", bytes(8))), "format chunk of 0 bytes before its samples; 16 or more are needed"),
        (riff(chunk(b"fmt ", bytes(14)), chunk(b"data", bytes(8))), "format chunk of 14 bytes"),
        (wav(b""), "holds 0 samples; at least 2 are needed"),
        (wav(b"\1\0"), "holds 1 samples; at least 2 are needed"),
        (wav(bytes(8), rate=0), "sample rate is 0 Hz; allowed are 100 to 1000000 Hz"),
        (wav(bytes(8), rate=0xFFFFFFFF), "sample rate is 4294967295 Hz; allowed are 100 to 1000000 Hz"),
        (wav(bytes(8), channels=0), "has 0 channels; at least 1 is needed"),
        (wav(bytes(8), tag=MP3), "format tag is 0x0055; allowed are 0x0001 (integer) and 0x0003"),
        (wav(bytes(8), tag=ALAW, bits=8), "format tag is 0x0006"),
        (wav(bytes(8), bits=12, align=2), "samples have 12 bits; allowed are 8, 16, 24, 32"),
        (wav(bytes(8), tag=3, bits=16), "samples have 16 bits; allowed are 32, 64"),
        (wav(bytes(8), align=4), "frames have 4 bytes; 1 channels of 16 bits need 2; the header is damaged"),
        (wav(bytes(8), tag=0xFFFE), "extended format chunk is cut short or names a sub-format of its own"),
        (
            wav(bytes(9), tag=0xFFFE, bits=24, extra=extensible(tail=bytes(14))),
            "names a sub-format of its own; allowed are integer and floating-point PCM",
        ),
        (wav(bytes(9), tag=0xFFFE, bits=24, extra=extensible(sub=MP3)), "format tag is 0x0055"),
        (wav(bytes(9), tag=0xFFFE, bits=24, extra=extensible(valid=32)), "32 of 24 bits are said to be filled"),
        (wav(np.full(99, np.nan, "<f4").tobytes(), tag=3, bits=32), "sample 0 (at 0.000000 s) is nan of full scale"),
        (wav(np.full(99, -np.inf, "<f8").tobytes(), tag=3, bits=64), "is -inf of full scale, and so are 98 more"),
        (b"\x7fELF\xff\xfe" * 50, "neither a RIFF/WAVE file nor text; allowed are WAV and CSV"),
        (b"fLaC" + bytes(30), "starts with 'fLaC"),
    ],
)
def test_what_is_no_recording_of_volts_is_refused(stored, content, words):
    assert words in refused(stored(content))


@pytest.mark.parametrize("full_scale_v", [0.0, -180.0, float("nan"), float("inf")])
def test_full_scale_must_be_a_level(stored, full_scale_v):
    words = f"full scale is said to be {full_scale_v} V; allowed is a finite level above 0 V"
    assert words in refused(stored(wav(bytes(8))), full_scale_v=full_scale_v)
    assert words in refused(stored("time_s,volts\n0,1\n0.001,2\n"), full_scale_v=full_scale_v)


def test_a_wav_file_needs_to_be_told_what_full_scale_stands_for(stored):
    assert "what full scale stands for is not given" in refused(stored(wav(bytes(8))), full_scale_v=None)


def test_all_faults_of_a_header_and_of_the_arguments_are_reported_at_once(stored):
    message = refused(stored(wav(bytes(8), tag=MP3, rate=0, channels=2)), channel=3, full_scale_v=-1.0)
    for words in ("0x0055", "sample rate is 0", "channel 3 is asked for; allowed is 1 to 2", "-1.0 V"):
        assert words in message
    assert message.count("\n") == 4


@pytest.mark.parametrize("channel", [0, -1, 2])
def test_a_channel_that_is_not_there_is_refused(stored, channel):
    words = f"channel {channel} is asked for; allowed is 1; choose one that is in the file"
    assert words in refused(stored(wav(bytes(8))), channel=channel)
    assert words in refused(stored("time_s,volts\n0,1\n0.001,2\n"), channel=channel)


def test_missing_files_and_folders_are_refused(tmp_path):
    assert "cannot be read (No such file or directory); check the path" in refused(tmp_path / "none.wav")
    assert "is not a file" in refused(tmp_path)


def test_a_float_too_large_for_volts_is_refused_without_a_warning(stored):
    values = np.array([0.0, 1e308], "<f8")
    assert "allowed are finite levels" in refused(stored(wav(values.tobytes(), tag=3, bits=64)))


@given(st.binary(max_size=120), st.sampled_from([b"", wav(bytes(8)), wav(bytes(8))[:30], b"time_s,volts\r\n0,1\r\n"]))
def test_any_bytes_are_read_or_refused_in_words(tmp_path_factory, tail, head):
    path = tmp_path_factory.getbasetemp() / "anything"
    path.write_bytes(head + tail)
    try:
        volts = everything(path)[1]
    except RecordingError as fault:
        volts, message = None, str(fault)
    assert np.all(np.isfinite(volts)) if volts is not None else str(path) in message


# --- CSV -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["\r\n", "\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_csv_lines_are_volts_at_the_times_given(stored, end, mark):
    # RFC 4180: CRLF between records, fields may be quoted.
    lines = ["time_s,volts", "-0.001,1.5", '"0.0","-2.5"', "1.25e-3, 0 ", "0.002,180", ""]
    times_s, volts, railed, reader = everything(stored(mark + end.join(lines)), full_scale_v=None)
    assert times_s.tolist() == [-0.001, 0.0, 0.00125, 0.002]
    assert volts.tolist() == [1.5, -2.5, 0.0, 180.0]
    assert not railed.any()
    assert reader.rate_hz == pytest.approx(1000.0)
    assert (reader.start_s, reader.end_s, reader.full_scale_v) == (-0.001, 0.002, float("inf"))


@given(
    steps=st.lists(st.floats(1e-4, 9e-3), min_size=2, max_size=50),
    start_s=st.floats(-5, 5),
    data=st.data(),
)
def test_csv_round_trip_is_exact(tmp_path_factory, steps, start_s, data):
    times = np.cumsum([start_s, *steps])
    volts = data.draw(st.lists(st.floats(-200, 200), min_size=len(times), max_size=len(times)))
    path = tmp_path_factory.getbasetemp() / "csv"
    lines = [f"{t!r},{v!r}" for t, v in zip(times.tolist(), volts, strict=True)]
    path.write_text("\r\n".join(["time_s,volts", *lines]) + "\r\n", newline="")
    got_times, got_volts, _, _ = everything(path)
    assert got_times.tolist() == times.tolist()
    assert got_volts.tolist() == volts


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("0.003,loud", "line 4 is '0.003,loud'; allowed are two finite numbers"),
        ("0.003,", "line 4 is '0.003,'; allowed are two finite numbers"),
        ("0.003,nan", "line 4 is '0.003,nan'"),
        ("inf,1", "line 4 is 'inf,1'"),
        ("0.003,1_000", "line 4 is '0.003,1_000'"),
        ("0.003", "line 4 has 1 fields; 2 are needed: time_s,volts"),
        ("0,003;1,5", "line 4 has 3 fields"),
        ("# a remark", "line 4 has 1 fields"),
        ("0.001,1", "line 4: time 0.001 s does not come after 0.002 s; times must rise"),
        ("0.002,1", "line 4: time 0.002 s does not come after 0.002 s; times must rise"),
        ('"0.003,1', "line 5: unexpected end of data (quotes, RFC 4180); nothing after it was looked at"),
    ],
)
def test_a_wrong_csv_line_is_refused_with_its_number(stored, line, words):
    message = refused(stored(f"time_s,volts\n0.001,1\n0.002,1\n{line}\n0.004,2\n"))
    assert words in message
    assert message.count("\n") == 1


def test_the_first_five_faults_of_a_csv_file_are_shown_and_all_are_counted(stored):
    lines = [f"{n / 1000},{'x' if n % 10 == 3 else n}" for n in range(20000)]
    message = refused(stored("\n".join(["time_s,volts", *lines])))
    assert [f"line {n} " in message for n in (5, 15, 25, 35, 45, 55)] == [True] * 5 + [False]
    assert "and 1995 more, 2000 faults in all" in message


@pytest.mark.parametrize("header", ["0,1", "time,volts", "time_s;volts", "volts,time_s", "time_s,volts,amps", ""])
def test_csv_needs_its_header(stored, header):
    message = refused(stored(f"{header}\n0,1\n0.001,2\n"))
    assert "CSV whose first line is time_s,volts, with commas between and points in the numbers" in message


@pytest.mark.parametrize(("lines", "count"), [("", 0), ("0,1\n", 1)])
def test_csv_needs_two_samples(stored, lines, count):
    assert f"holds {count} samples; at least 2 are needed" in refused(stored("time_s,volts\n" + lines))


@pytest.mark.parametrize("step_s", [0.1, 1e-9])
def test_csv_times_that_are_no_seconds_are_refused(stored, step_s):
    lines = "".join(f"{n * step_s!r},1\n" for n in range(9))
    assert "allowed are 100 to 1000000; check that the first column holds seconds" in refused(
        stored("time_s,volts\n" + lines)
    )


def test_a_line_without_end_is_refused_before_it_fills_the_memory(stored):
    assert "line 2 has 1024 characters or more" in refused(stored("time_s,volts\n" + "1" * 100_000))
