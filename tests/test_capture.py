"""The capture child: the real arecord on the real ALSA library, and stand-ins for all that it can do wrong."""

from __future__ import annotations

import fcntl
import os
import re
import signal
import time

import numpy as np
import pytest

from alsa_device import PERIOD, AlsaDevice, noise_words, stand_in
from flattop.converters import HostTime, capture
from flattop.converters.capture import ArecordCapture
from flattop.converters.codec import CodecConverter
from flattop.errors import ConverterError, ConverterMissing, ConverterSilent

PATIENCE_S = 5.0
"""For what should take a fraction of a second, on a machine that does other work as well."""


@pytest.fixture
def arecord(need):
    return need("arecord")


@pytest.fixture
def device(tmp_path, arecord):
    made = AlsaDevice(tmp_path, noise_words(1, 100 * PERIOD))
    yield made
    made.close()


@pytest.fixture
def real(device):
    made = ArecordCapture("codec", environment=device.environment)
    yield made
    made.stop()


@pytest.fixture
def codec(real):
    made = CodecConverter(real, HostTime())
    yield made
    made.close()


@pytest.fixture
def acting(tmp_path):
    """Captures whose child is a stand-in, stopped afterwards."""
    made = []

    def act(body):
        made.append(ArecordCapture("hw:CARD=flattop", program=stand_in(tmp_path, body)))
        return made[-1]

    yield act
    for each in made:
        each.stop()


def gone(pid):
    """Whether a process is not there any more, not even as one that nobody has reaped."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def take(stream, least=1, patience_s=PATIENCE_S):
    """Return at least so many bytes of a stream, or all until it ended."""
    data, end_s = b"", time.monotonic() + patience_s
    while len(data) < least and not stream.ended and time.monotonic() < end_s:
        arrival = stream.take(time.monotonic() + 0.05)
        if arrival is not None:
            assert arrival.at_s == pytest.approx(time.monotonic(), abs=0.5)
            data += arrival.data
    return data


def until_failed(converter, patience_s=PATIENCE_S):
    """Collect until it fails; return the error and how long that took [s]."""
    begun_s = time.monotonic()
    while time.monotonic() < begun_s + patience_s:
        try:
            converter.collect(time.monotonic() + 0.02)
        except ConverterError as error:
            return error, time.monotonic() - begun_s
    pytest.fail(f"nothing was found wrong in {patience_s:g} s")


# -- the real program and the real library ----------------------------------------------------------------------------


def test_words_come_bit_for_bit(real, device):
    real.start()
    got = take(real, 8 * 30 * PERIOD)
    assert len(got) >= 8 * 30 * PERIOD
    assert got == device.sent_by_now(len(got))[: len(got)]


def test_frames_are_put_on_the_hosts_clock(codec, real):
    codec.collect(time.monotonic() + 1.6)
    pair = codec.latest_pair(0.25)
    now_s = time.monotonic()
    for samples in pair:
        assert samples.duration_s == pytest.approx(0.25, abs=1e-4)
        assert now_s - 0.2 < samples.times_s[-1] <= now_s
        # The pace is a sleeping thread's, and it is believed within 300 ppm before ten seconds have passed.
        assert samples.quality.rate_hz == pytest.approx(96_000, rel=300e-6)
    assert np.array_equal(pair[0].times_s, pair[1].times_s)
    assert not np.array_equal(pair[0].volts, pair[1].volts)


def test_the_volts_are_those_of_the_words(codec, device):
    codec.collect(time.monotonic() + 0.4)
    speaker, line = codec.latest_pair(0.1)
    sent = np.frombuffer(device.sent_by_now(8 * codec._clock.frames), dtype="<i4")
    sent = sent[: len(sent) // 2 * 2].reshape(-1, 2)
    for channel, samples in enumerate((speaker, line)):
        codes = np.rint(samples.volts / samples.facts.lsb_v).astype(np.int64)
        whole = sent[:, channel].astype(np.int64) >> 8
        starts = np.flatnonzero(whole[: len(whole) - len(codes) + 1] == codes[0])
        assert any(np.array_equal(whole[start : start + len(codes)], codes) for start in starts)


def test_the_pipe_holds_more_than_the_usual(real):
    real.start()
    assert fcntl.fcntl(real._out, fcntl.F_GETPIPE_SZ) == capture.PIPE_BYTES


def test_a_meter_that_is_late_loses_nothing(real, device):
    real.start()
    take(real)
    time.sleep(0.5)
    got = take(real, 8 * 45 * PERIOD)
    first = bytes(device.sent).find(got[:64])
    assert got == device.sent_by_now(first + len(got))[first : first + len(got)]


def test_a_killed_child_is_told_reaped_and_replaced(codec, real):
    codec.collect(time.monotonic() + 0.2)
    pid = real.pid
    os.kill(pid, signal.SIGKILL)
    error, took_s = until_failed(codec)
    assert isinstance(error, ConverterSilent)
    assert "signal 9" in str(error)
    assert took_s < 1.0
    assert gone(pid)
    assert len(codec.latest(1.0)) == 0, "nothing of before the break is measured any more"
    began_s = time.monotonic()
    codec.collect(time.monotonic() + 0.6)
    assert codec.breaks == 1
    assert 0 < len(codec.latest(5.0)) < 96_000 * (time.monotonic() - began_s + 0.2)


def test_a_stopped_child_is_silence_told_within_a_second_and_killed(codec, real):
    codec.collect(time.monotonic() + 0.2)
    pid = real.pid
    os.kill(pid, signal.SIGSTOP)
    error, took_s = until_failed(codec)
    assert "no samples for 0." in str(error)
    assert "I2S" in str(error)
    assert took_s < 1.0
    assert gone(pid)
    codec.collect(time.monotonic() + 0.5)
    assert len(codec.latest(0.1)) > 0


def test_a_converter_that_falls_silent_is_told_within_a_second(codec, device):
    codec.collect(time.monotonic() + 0.2)
    device.plays.clear()
    error, took_s = until_failed(codec)
    assert "no samples" in str(error)
    assert took_s < 1.0
    device.plays.set()
    codec.collect(time.monotonic() + 0.5)
    assert len(codec.latest(0.1)) > 0


def test_a_device_whose_buffer_is_not_filled_any_more_is_told_within_a_second(codec, device):
    codec.collect(time.monotonic() + 0.5)
    device.unplug()
    error, took_s = until_failed(codec)
    assert "again and again" in str(error) or "are set" in str(error)
    assert took_s < 1.0
    assert len(codec.latest(1.0)) == 0


@pytest.mark.parametrize(("pace", "told"), [(0.5, 48_000), (0.4594, 44_100), (2.0, 192_000)])
def test_a_converter_at_another_rate_is_told_within_a_second(tmp_path, arecord, pace, told):
    device = AlsaDevice(tmp_path, noise_words(2, 100 * PERIOD), pace=pace)
    codec = CodecConverter(ArecordCapture("codec", environment=device.environment), HostTime())
    try:
        error, took_s = until_failed(codec)
    finally:
        codec.close()
        device.close()
    assert "96000 are set" in str(error)
    assert float(re.search(r"about (\d+) a second", str(error))[1]) == pytest.approx(told, rel=0.1)
    assert took_s < 1.3, "0.3 s of it for the start"


def test_a_device_that_is_not_there_is_missing_with_its_remedy(tmp_path, device):
    for name in ("hw:CARD=flattop", "nobody"):
        codec = CodecConverter(ArecordCapture(name, environment=device.environment), HostTime())
        error, took_s = until_failed(codec)
        assert isinstance(error, ConverterMissing)
        assert name in str(error)
        assert "codec.device" in str(error)
        assert took_s < 1.0


def test_a_mono_device_is_refused_in_words(device):
    codec = CodecConverter(ArecordCapture("mono", environment=device.environment), HostTime())
    error, _ = until_failed(codec)
    assert isinstance(error, ConverterMissing)
    assert "stereo in S32_LE at 96000 Hz" in str(error)


# -- everything that a child can do wrong -----------------------------------------------------------------------------


def test_without_arecord_the_package_is_named(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ConverterMissing, match="alsa-utils"):
        ArecordCapture("hw:CARD=flattop").start()


def test_a_program_that_cannot_be_started_is_missing(tmp_path):
    broken = tmp_path / "arecord"
    broken.write_bytes(b"\x7fELF and nothing more")
    broken.chmod(0o755)
    with pytest.raises(ConverterMissing, match="install alsa-utils again"):
        ArecordCapture("hw:CARD=flattop", program=str(broken)).start()


@pytest.mark.parametrize(
    ("said", "kind", "told"),
    [
        ("arecord: pcm_read:2272: read error: No such device", ConverterSilent, "went away"),
        ("arecord: pcm_read:2272: read error: Input/output error", ConverterSilent, "went away"),
        ("arecord: xrun:1671: fatal overrun", ConverterSilent, "samples were lost"),
        ("overrun!!! (at least 12.345 ms long)", ConverterSilent, "samples were lost"),
        ("arecord: suspend:1689: suspend: prepare error", ConverterSilent, "went away"),
        ("it is all over", ConverterSilent, r"exit 1.*\(it is all over\)"),
    ],
)
def test_what_a_child_says_before_it_ends_is_understood(acting, said, kind, told):
    stream = acting(f"out(frames(960)); time.sleep(0.1); say({said!r}); sys.exit(1)")
    error, took_s = until_failed(CodecConverter(stream, HostTime()))
    assert type(error) is kind
    assert re.search(told, str(error))
    assert took_s < 2.0


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("arecord: main:831: audio open error: Device or resource busy", "another program"),
        ("arecord: main:831: audio open error: Permission denied", "group audio"),
        ("arecord: set_params:1345: Sample format non available", "stereo in S32_LE"),
        ("arecord: main:831: audio open error: No such file or directory", "check codec.device"),
    ],
)
def test_a_child_that_cannot_open_is_a_missing_converter(acting, said, told):
    stream = acting(f"say({said!r}); sys.exit(1)")
    with pytest.raises(ConverterMissing, match=told):
        CodecConverter(stream, HostTime()).collect(time.monotonic() + PATIENCE_S)


def test_frames_in_pieces_are_put_together(acting):
    stream = acting(
        "data = frames(4800)\nfor n in range(0, len(data), 1237): out(data[n:n + 1237]); time.sleep(1e-3)\n"
    )
    stream.start()
    got = take(stream, 8 * 4800)
    whole = acting("out(frames(4800))")
    whole.start()
    assert got == take(whole, 8 * 4800)
    assert len(got) == 8 * 4800


def test_a_wait_ends_when_it_is_to_end(acting):
    stream = acting("time.sleep(60)")
    stream.start()
    begun_s = time.monotonic()
    assert stream.take(begun_s + 0.1) is None
    assert 0.09 < time.monotonic() - begun_s < 1.0
    assert stream.take(begun_s - 5.0) is None, "a time that is past is no wait at all"
    assert stream.ended == ""


def test_a_child_that_chatters_does_not_hold_the_meter_up(acting):
    stream = acting("while True: say('x' * 200)")
    stream.start()
    begun_s = time.monotonic()
    assert stream.take(begun_s + 0.2) is None
    assert time.monotonic() - begun_s < 1.0
    assert len(stream._said) <= capture.SAID_BYTES


def test_a_child_that_runs_away_does_not_hold_the_meter_up(acting):
    stream = acting("data = frames(9600)\nwhile True: out(data)")
    stream.start()
    assert 0 < len(stream.take(time.monotonic() + PATIENCE_S).data) <= capture.TAKE_BYTES


def test_a_child_that_closes_its_pipe_and_stays_is_ended(acting):
    stream = acting("out(frames(10)); os.close(1); os.close(2); time.sleep(60)")
    stream.start()
    pid = stream.pid
    take(stream, 1000)
    assert "pipe closed" in stream.ended
    assert gone(pid)


def test_the_whole_group_of_a_child_that_heeds_no_signal_is_ended(acting, tmp_path):
    note = tmp_path / "pid"
    stream = acting(
        "for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP): signal.signal(number, signal.SIG_IGN)\n"
        "pid = os.fork()\n"
        f"if pid: open({str(note)!r}, 'w').write(str(pid)); out(frames(1))\n"
        "time.sleep(60)\n"
    )
    stream.start()
    assert take(stream, 8)
    pids = (stream.pid, int(note.read_text()))
    stream.stop()
    stream.stop()
    assert stream.pid is None
    end_s = time.monotonic() + PATIENCE_S
    while not all(_ended(pid) for pid in pids):
        assert time.monotonic() < end_s
        time.sleep(0.01)


def _ended(pid):
    """Whether a process is gone, or dead and waiting for a parent that is not this one."""
    try:
        with open(f"/proc/{pid}/stat") as file:  # noqa: PTH123
            return file.read().rsplit(")", 1)[1].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def test_a_child_that_hangs_in_the_kernel_is_told_and_not_waited_for(acting, monkeypatch):
    stream = acting("time.sleep(60)")
    stream.start()
    child = stream._child
    monkeypatch.setattr(capture, "REAP_S", 0.05)
    monkeypatch.setattr(capture.os, "killpg", lambda pid, number: None)  # as if the kernel did not let go of it
    stream.stop()
    with pytest.raises(ConverterSilent, match=f"process {child.pid}"):
        stream.start()
    monkeypatch.undo()
    os.killpg(child.pid, signal.SIGKILL)
    child.wait(PATIENCE_S)
    stream.start()
    assert stream.pid not in (None, child.pid)


def test_the_locale_of_the_child_is_the_one_whose_words_are_known(acting, monkeypatch):
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    stream = acting("say(os.environ['LC_ALL']); sys.exit(3)")
    stream.start()
    take(stream)
    assert stream.ended.endswith("(C)")


def test_the_child_is_asked_for_what_the_converter_gives(acting):
    stream = acting("say(' '.join(sys.argv[1:])); sys.exit(1)")
    stream.start()
    take(stream)
    for asked in ("-f S32_LE", "-r 96000", "-c 2", "-t raw", "--fatal-errors", "-D hw:CARD=flattop"):
        assert asked in stream.ended
