"""The command line as a person or a script meets it: output, exit codes, and every kind of file that cannot be used."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import re
import signal
import struct
import subprocess
import sys
import time

import numpy as np
import pytest
from PIL import Image

from flattop.__main__ import main
from test_session import parse_rfc4180
from wav_bytes import chunk, extensible, fmt, riff, wav

KEYS = [
    "t_s",
    "rms_v",
    "rms_u_v",
    "dc_v",
    "hz",
    "peak_pos_v",
    "peak_neg_v",
    "crest",
    "thd_pct",
    "overdrive_pos_db",
    "overdrive_neg_db",
    "flat_share_pct",
    "verdict",
    "reason",
]
VERDICTS = {"clean", "soft", "flat", "distorted", "unknown"}
COMMAND = [sys.executable, "-m", "flattop"]


def flattop(*arguments, cwd, **options):
    options = {"capture_output": True, "text": True, "timeout": 100, "check": False} | options
    return subprocess.run([*COMMAND, *map(str, arguments)], cwd=cwd, **options)


def no_number(name):
    raise AssertionError(f"{name} is not JSON (RFC 8259)")


def lines_of(output):
    """Parse one JSON object a line, strictly."""
    return [json.loads(line, parse_constant=no_number) for line in output.splitlines()]


def pcm(volts, *, full_scale_v=100.0, rate=8000, **layout):
    codes = np.rint(np.asarray(volts) / full_scale_v * 32767).clip(-32768, 32767)
    return wav(codes.astype("<i2").tobytes(), rate=rate, **layout)


def tone(peak_v=60.0, hz=40.0, seconds=1.0, rate=8000, top_v=math.inf):
    times_s = np.arange(round(seconds * rate)) / rate
    return np.clip(peak_v * np.sin(2 * np.pi * hz * times_s), -top_v, top_v)


def csv_text(times_s, volts):
    return "time_s,volts\n" + "".join(f"{float(t)!r},{float(v)!r}\n" for t, v in zip(times_s, volts, strict=True))


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run the command line in this process and in an empty folder; return exit code, output and complaints."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments):
        try:
            code = main([str(each) for each in arguments])
        except SystemExit as ended:
            code = ended.code
        said = capsys.readouterr()
        assert "Traceback" not in said.err
        return code, said.out, said.err

    return call


@pytest.fixture
def json_of(run):
    """Replay a file as JSON that must succeed."""

    def call(path, *arguments):
        code, out, err = run("replay", path, "--json", *arguments)
        assert code == 0, err
        return lines_of(out)

    return call


# --- demo


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """The demonstration, once, as the README has it run."""
    place = tmp_path_factory.mktemp("demo")
    begun_s = time.monotonic()
    done = flattop("demo", "--short", "--seed", "7", "--out", place / "out", cwd=place)
    return done, place / "out", time.monotonic() - begun_s


@pytest.fixture(scope="session")
def demo_rows(demo):
    return list(csv.DictReader(io.StringIO((demo[1] / "readings.csv").read_bytes().decode())))


def test_demo_ends_well_and_says_it_is_simulated(demo):
    done, _, _ = demo
    assert done.returncode == 0, done.stderr
    assert "SIMULATED" in done.stderr
    assert "Traceback" not in done.stderr


def test_demo_goes_from_clean_to_flat_and_back_to_clean(demo_rows):
    verdicts = [row["verdict"] for row in demo_rows]
    assert set(verdicts) <= VERDICTS
    first_flat = verdicts.index("flat")
    assert "clean" in verdicts[:first_flat]
    settled = [row for row in demo_rows if float(row["t_s"]) > 19.0]
    assert {row["verdict"] for row in settled} == {"clean"}
    # 93 V rails: the highest clean sine is 93 / sqrt(2) = 65.8 V rms.
    assert 58.0 < float(settled[-1]["rms_v"]) < 65.8
    assert float(settled[-1]["hz"]) == pytest.approx(40.0, abs=0.01)
    assert any(row["reason"] == "lead off" for row in demo_rows if 16.6 < float(row["t_s"] or 0) < 17.9)


def test_demo_is_logged_ten_times_a_second_in_strict_csv(demo, demo_rows):
    header, *rows = parse_rfc4180((demo[1] / "readings.csv").read_bytes().decode())
    assert {len(row) for row in rows} == {len(header)}
    assert set(KEYS) <= set(header)
    assert 190 <= len(rows) <= 230
    times_s = [float(row["t_s"]) for row in demo_rows]
    assert np.all(np.diff(times_s) > 0)
    assert {row["simulated"] for row in demo_rows} == {"yes"}
    assert {row["calibrated"] for row in demo_rows} == {"yes"}


def test_demo_table_can_be_read(demo):
    lines = [line for line in demo[0].stdout.splitlines() if line]
    assert re.match(r"\s+from\s+to\s+volts.*Hz.*verdict", lines[0])
    assert 4 <= len(lines) - 2 <= 20, "short"
    assert max(map(len, lines)) <= 110
    assert any("flat: top missing" in line and " dB" in line for line in lines)
    assert any("lead off" in line for line in lines)
    assert lines[-2].rstrip().endswith("clean")
    assert "nan" not in demo[0].stdout.lower()
    assert str(demo[1]) in lines[-1]


def test_demo_pictures(demo):
    frames = sorted((demo[1] / "frames").glob("*.png"))
    assert len(frames) >= 20
    with Image.open(demo[1] / "screen.gif") as movie:
        assert movie.size == (320, 240)
        assert movie.n_frames > 20
    plates = set()
    for frame in frames:
        with Image.open(frame) as picture:
            assert picture.size == (320, 240)
            plates.add(picture.convert("RGB").crop((141, 1, 281, 25)).tobytes())
    assert len(plates) == 1, "every frame carries the same plate: SIMULATED"


def test_same_seed_same_bytes_and_another_seed_another(demo, tmp_path):
    again = flattop("demo", "--short", "--seed", "7", "--out", tmp_path / "again", cwd=tmp_path)
    assert again.returncode == 0
    assert (tmp_path / "again/readings.csv").read_bytes() == (demo[1] / "readings.csv").read_bytes()
    assert again.stdout.replace(str(tmp_path / "again"), "X") == demo[0].stdout.replace(str(demo[1]), "X")


# --- replay


def test_replay_as_json_is_strict_and_has_the_keys(json_of, stored):
    # The last half is no number for most figures: silence.
    path = stored(pcm(np.concatenate([tone(seconds=1.0), np.zeros(8000)])))
    got = json_of(path, "--full-scale-v", "100")
    assert [line["t_s"] for line in got[:8]] == pytest.approx([0.25 * n for n in range(1, 9)], abs=2e-3)
    for line in got:
        assert set(KEYS) <= line.keys()
        assert line["verdict"] in VERDICTS
        assert isinstance(line["reason"], str)
        assert all(isinstance(line[key], float | int | None) for key in KEYS[:-2])
    assert got[2]["rms_v"] == pytest.approx(60 / math.sqrt(2), rel=2e-4)
    assert got[2]["hz"] == pytest.approx(40.0, abs=1e-3)
    assert (got[2]["verdict"], got[2]["reason"]) == ("clean", "")
    assert got[-1]["verdict"] == "unknown"
    assert got[-1]["hz"] is None


@pytest.mark.parametrize(
    ("bits", "tag"), [(8, 1), (16, 1), (24, 1), (32, 1), (32, 3), (64, 3), (24, "extensible"), (32, "extensible float")]
)
def test_replay_reads_every_kind_of_wav(json_of, stored, bits, tag):
    parts = tone(0.6, seconds=0.8)
    floats = tag in (3, "extensible float")
    if floats:
        data = parts.astype(f"<f{bits // 8}").tobytes()
    elif bits == 8:
        data = (np.rint(parts * 127) + 128).astype(np.uint8).tobytes()
    else:
        whole = np.rint(parts * (2 ** (bits - 1) - 1)).astype("<i4")
        data = whole.view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()
    if isinstance(tag, str):
        extra = extensible(3 if floats else 1, valid=bits)
        content = riff(fmt(0xFFFE, 1, 8000, bits, extra=extra), chunk(b"data", data))
    else:
        content = wav(data, tag=tag, rate=8000, bits=bits)
    got = json_of(stored(content), "--full-scale-v", "100")
    assert got[1]["rms_v"] == pytest.approx(60 / math.sqrt(2), rel=1e-2 if bits == 8 else 2e-4)


def test_replay_reads_uneven_csv_without_any_option(json_of, stored):
    rng = np.random.default_rng(1)
    times_s = 5.0 + np.arange(4000) / 4000 + rng.uniform(-5e-5, 5e-5, 4000)
    path = stored(csv_text(times_s, 60 * np.sin(2 * np.pi * 40 * times_s)))
    got = json_of(path)
    assert [line["verdict"] for line in got[1:]] == ["clean"] * (len(got) - 1)
    assert got[2]["rms_v"] == pytest.approx(60 / math.sqrt(2), rel=1e-4)
    assert got[2]["hz"] == pytest.approx(40.0, abs=1e-2)
    assert got[0]["t_s"] == pytest.approx(5.25, abs=2e-3)


def test_channel_every_and_input(json_of, stored):
    both = np.stack([tone(60.0, seconds=2.0), tone(30.0, 80.0, seconds=2.0)], axis=1)
    path = stored(pcm(both, channels=2))
    for channel, peak_v, hz in ((1, 60.0, 40.0), (2, 30.0, 80.0)):
        got = json_of(path, "--full-scale-v", "100", "--channel", channel, "--every", "0.5", "--input", "line")
        assert [line["t_s"] for line in got[:4]] == pytest.approx([0.5, 1.0, 1.5, 2.0], abs=2e-3)
        assert got[2]["rms_v"] == pytest.approx(peak_v / math.sqrt(2), rel=2e-4)
        assert got[2]["hz"] == pytest.approx(hz, abs=1e-3)
        assert {line["input"] for line in got} == {"line"}


def test_full_scale_of_a_wav_file_is_said_aloud_where_it_is_not_given(run, stored):
    code, out, err = run("replay", stored(pcm(tone())), "--json")
    assert code == 0
    assert "full scale is taken as 1 V" in err
    assert lines_of(out)[1]["rms_v"] == pytest.approx(0.6 / math.sqrt(2), rel=1e-3)


@pytest.mark.parametrize(("top_v", "verdict"), [(120.0, "clean"), (58.8, "soft"), (55.0, "flat")])
def test_verdicts_on_a_hard_clip(json_of, stored, top_v, verdict):
    # 20 log10(60 / 58.8) = 0.18 dB and 20 log10(60 / 55) = 0.76 dB against limits of 0.08 and 0.25 dB
    got = json_of(stored(pcm(tone(top_v=top_v, seconds=1.5, rate=48000), rate=48000)), "--full-scale-v", "100")
    assert {line["verdict"] for line in got[2:]} == {verdict}
    truth_db = max(20 * math.log10(60 / top_v), 0.0)
    for half in ("overdrive_pos_db", "overdrive_neg_db"):
        assert got[3][half] == pytest.approx(truth_db, abs=0.02)


def test_replay_writes_a_session_and_a_table(run, stored, tmp_path):
    path = stored(pcm(tone(seconds=2.0)))
    code, out, err = run("replay", path, "--full-scale-v", "100", "--out", tmp_path / "a")
    assert code == 0, err
    assert re.search(r"0\.\d\s+2\.0 s\s+42\.4\d? V.*40\.00.*clean", out)
    _, *rows = parse_rfc4180((tmp_path / "a/readings.csv").read_bytes().decode())
    assert len(rows) >= 8
    assert (tmp_path / "a/screen.gif").exists()
    assert list((tmp_path / "a/frames").iterdir())
    code, out, _ = run("replay", path, "--full-scale-v", "100")
    assert code == 0
    assert "flattop-replay" in out
    assert (tmp_path / "flattop-replay/readings.csv").exists()


def test_json_writes_no_folder_unless_it_is_asked_for_one(run, stored, tmp_path):
    path = stored(pcm(tone()))
    run("replay", path, "--json")
    assert {p.name for p in tmp_path.iterdir()} == {"recording"}
    code, out, _ = run("replay", path, "--json", "--out", tmp_path / "b")
    assert code == 0
    assert len(lines_of(out)) + 1 == len(parse_rfc4180((tmp_path / "b/readings.csv").read_bytes().decode()))


def test_through_bass_agrees_with_the_recording_and_repeats_with_its_seed(run, stored):
    path = stored(pcm(tone(seconds=1.5, rate=48000, top_v=55.0), rate=48000))
    arguments = ("replay", path, "--json", "--full-scale-v", "100", "--through", "bass", "--seed", "3")
    code, out, _ = run(*arguments)
    assert code == 0
    got = lines_of(out)
    direct = lines_of(run(*arguments[:5])[1])
    assert {line["converter"] for line in got} == {"ads1015"}
    assert all(line["simulated"] and line["calibrated"] for line in got)
    for line in got:
        if line["t_s"] > 0.5:
            assert line["verdict"] == "flat"
            assert line["rms_v"] == pytest.approx(direct[3]["rms_v"], rel=1e-3)
            assert line["overdrive_pos_db"] == pytest.approx(20 * math.log10(60 / 55), abs=0.03)
    assert run(*arguments)[1] == out
    assert run(*arguments[:-1], "4")[1] != out


def test_a_recording_shorter_than_an_update_still_gets_its_reading(json_of, stored):
    path = stored(pcm(tone(seconds=0.6)))
    assert len(json_of(path, "--every", "5", "--full-scale-v", "100")) == 1
    assert len(json_of(path, "--every", "5", "--full-scale-v", "100", "--through", "bass")) == 1


# --- signals that are no steady tone: a named state, and no number that is not one


@pytest.mark.parametrize(
    ("volts", "reasons"),
    [
        (np.zeros(16000), {"no tone", "not enough samples yet"}),
        (np.full(16000, 30.0), {"no tone", "not enough samples yet"}),
        (np.where(np.arange(16000) == 8000, 90.0, 0.0), {"no tone", "not one steady tone", "not enough samples yet"}),
        (np.random.default_rng(1).normal(0, 10, 16000), {"no tone", "not one steady tone", "not enough samples yet"}),
    ],
    ids=["zeros", "dc", "impulse", "noise"],
)
def test_no_tone_is_said_by_name(json_of, stored, volts, reasons):
    for path in (stored(pcm(volts), "a.wav"), stored(csv_text(np.arange(16000) / 8000, volts), "a.csv")):
        got = json_of(path, *(["--full-scale-v", "100"] if path.suffix == ".wav" else []))
        assert {line["verdict"] for line in got} == {"unknown"}
        assert {line["reason"] for line in got} <= reasons


def test_direct_current_is_measured_and_an_alarm(json_of, stored):
    got = json_of(stored(csv_text(np.arange(8000) / 8000, np.full(8000, 30.0))))
    assert got[-1]["dc_v"] == pytest.approx(30.0)
    assert got[-1]["rms_v"] == pytest.approx(0.0, abs=1e-6)
    assert got[-1]["dc_alarm"] is True


def test_rail_to_rail_is_too_high_and_not_called_clean(json_of, stored):
    square = np.where(tone() >= 0, 100.0, -100.0)
    got = json_of(stored(pcm(square)), "--full-scale-v", "100")
    assert {line["reason"] for line in got} <= {"too high for this input", "not enough samples yet"}
    assert all(line["hazard"] for line in got)


# --- files and options that cannot be used


GOOD = pcm(tone())
NAN = float("nan")
BAD_FILES = {
    "empty": (b"", "is empty"),
    "truncated header": (GOOD[:30], "cut off|damaged|format chunk"),
    "no samples": (GOOD[:44], "samples"),
    "one sample": (pcm([1.0]), "1 samples; at least 2"),
    "huge format chunk": (
        b"RIFF\xff\xff\xff\xffWAVEfmt \xff\xff\xff\xff" + b"\1" * 100,
        "no data chunk|damaged|cut off",
    ),
    "huge unknown chunk": (riff(b"LIST\xf0\xff\xff\xff" + b"x" * 40), "no data chunk|cut off"),
    "zero rate": (wav(b"\0" * 200, rate=0), "sample rate is 0 Hz"),
    "zero channels": (wav(b"\0" * 200, channels=0, align=2), "0 channels"),
    "NaN": (wav(np.full(2000, NAN, "<f4").tobytes(), tag=3, bits=32), "sample 0 .* is nan"),
    "NaN later": (wav(np.r_[np.zeros(9000), NAN].astype("<f4").tobytes(), tag=3, bits=32), "sample 9000 .* is nan"),
    "compressed": (wav(b"\0" * 200, tag=0x55), "format tag is 0x0055"),
    "not audio": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 8, "neither|allowed"),
    "not wave": (riff(form=b"AVI "), "form"),
    "text": (b"Dear all,\nthe van leaves at nine.\n", "allowed are a RIFF/WAVE file, or CSV"),
    "csv with text": (b"time_s,volts\n0,0\n1e-3,loud\n2e-3,0\n", "line 3 is '1e-3,loud'; allowed are two finite"),
    "csv backwards": (b"time_s,volts\n0,0\n0.001,1\n0.0005,2\n", "line 4: time 0.0005 s does not come after 0.001"),
    "csv with NaN": (b"time_s,volts\n0,nan\n0.001,1\n", "line 2"),
    "csv of one row": (b"time_s,volts\n0,1\n", "1 samples"),
    "csv header only": (b"time_s,volts\n", "0 samples"),
}


@pytest.mark.parametrize("name", BAD_FILES)
@pytest.mark.parametrize("through", [[], ["--through", "bass"]], ids=["direct", "through"])
def test_a_file_that_cannot_be_measured_is_refused_in_words(run, stored, tmp_path, name, through):
    content, words = BAD_FILES[name]
    code, _, err = run("replay", stored(content), "--full-scale-v", "10", "--json", *through)
    assert code == 2, err
    assert re.search(words, err), err
    assert err.startswith("flattop: ")
    assert "recording" in err
    assert {p.name for p in tmp_path.iterdir()} == {"recording"}, "no folder for what cannot be measured"


def test_a_truncated_recording_is_measured_as_far_as_it_goes_and_said_so(run, stored):
    code, out, err = run("replay", stored(pcm(tone(seconds=2.0))[:20_000]), "--full-scale-v", "100", "--json")
    assert code == 0
    assert "cut off" in err
    assert lines_of(out)[-1]["t_s"] == pytest.approx(1.25, abs=0.01)


def test_a_hole_of_half_an_hour_in_a_csv_file_is_passed_over(json_of, stored):
    times_s = np.concatenate([np.arange(4000) / 4000, 1800 + np.arange(4000) / 4000])
    got = json_of(stored(csv_text(times_s, 60 * np.sin(2 * np.pi * 40 * times_s))))
    assert all(line["t_s"] is not None for line in got)
    assert got[-1]["verdict"] == got[2]["verdict"] == "clean"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--every", "0"], "--every is 0 s; allowed is"),
        (["--every", "-1"], "--every is -1 s; allowed is"),
        (["--every", "nan"], "--every is nan s; allowed is"),
        (["--every", "1e9"], r"--every is 1e\+09 s; allowed is"),
        (["--every", "often"], "invalid float value: 'often'"),
        (["--channel", "0"], "channel 0 is asked for; allowed is 1"),
        (["--channel", "3"], "channel 3 is asked for; allowed is 1"),
        (["--channel", "left"], "invalid int value"),
        (["--full-scale-v", "0"], "full scale is said to be 0.0 V; allowed is"),
        (["--full-scale-v", "-5"], "full scale is said to be -5.0 V; allowed is"),
        (["--full-scale-v", "inf"], "full scale is said to be inf V; allowed is"),
        (["--full-scale-v", "nan"], "full scale is said to be nan V; allowed is"),
        (["--seed", "-1"], "--seed is -1; allowed is 0"),
        (["--seed", "1.5"], "invalid int value"),
        (["--input", "mouth"], "invalid choice"),
        (["--through", "treble"], "invalid choice"),
        (["--out", "recording"], "cannot be used"),
        (["--out", "recording/below"], "cannot be used"),
        (["--out", "."], r"holds files already \(recording\)"),
        (["--loudly"], "unrecognized arguments: --loudly"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_an_option_that_cannot_be_used_is_refused_in_words(run, stored, arguments, words):
    code, out, err = run("replay", stored(GOOD), *arguments)
    assert code == 2
    assert re.search(words, err), err
    assert out == ""


def test_no_command_no_file_and_a_missing_file(run, tmp_path):
    for arguments, words in (
        ([], "COMMAND"),
        (["sing"], "invalid choice"),
        (["replay"], "FILE"),
        (["replay", "no such.wav"], "no such.wav cannot be read"),
        (["replay", tmp_path], "is not a file"),
        (["demo", "--seed", "-3"], "--seed is -3"),
        (["demo", "--short", "--plan", "van"], "leave one of them out"),
        (["replay", "x.wav", "--line-channel", "2"], "add --through full"),
        (["demo", "--out", "/proc/x"], "cannot be used"),
        (["--settings", "none.toml", "demo"], "none.toml does not exist"),
    ):
        code, out, err = run(*arguments)
        assert code == 2, arguments
        assert re.search(words, err), err
        assert out == ""


def test_settings_that_cannot_be_used_are_all_named_at_once(run, stored):
    settings = stored("[meter]\nupdate_s = 9.0\nwindow = 1\n[verdict]\nflat_db = 'x'\n", "settings.toml")
    code, _, err = run("--settings", settings, "replay", stored(GOOD))
    assert code == 2
    assert err.count("\n  - ") >= 3
    for word in ("line 2", "update_s", "line 3", "window", "line 5", "flat_db"):
        assert word in err


def test_settings_reach_the_verdict(run, stored):
    settings = stored("[verdict]\nflat_db = 2.0\nsoft_db = 0.9\nflat_thd_pct = 10.0\n", "settings.toml")
    path = stored(pcm(tone(top_v=55.0, seconds=1.5, rate=48000), rate=48000))
    code, out, _ = run("--settings", settings, "replay", path, "--json", "--full-scale-v", "100")
    assert code == 0
    assert not {line["verdict"] for line in lines_of(out)} & {"flat", "distorted"}


def test_help_and_version(run):
    code, out, _ = run("--help")
    assert code == 0
    assert "demo" in out
    assert "Above 30 V rms treat every conductor as live" in " ".join(out.split())
    code, out, _ = run("--version")
    assert code == 0
    assert re.fullmatch(r"flattop \d+\.\d+\S*\n", out)


# --- both converters


def stereo(hz, *, peak=0.6, line=-0.02, rate_hz=48_000, seconds=2):
    wave = np.sin(2 * np.pi * hz * np.arange(seconds * rate_hz) / rate_hz)
    frames = np.round(np.stack([peak * wave, line * wave], axis=1) * (2**31 - 1)).astype("<i4")
    return wav(frames.tobytes(), channels=2, bits=32, rate=rate_hz)


@pytest.mark.parametrize(("hz", "converter"), [(45.0, "ads1015"), (1000.0, "codec")])
def test_through_both_converters_with_a_second_channel_on_the_line_input(tmp_path, stored, hz, converter):
    path = stored(stereo(hz), "both.wav")
    arguments = ["--full-scale-v", "100", "--through", "full", "--line-channel", "2", "--json"]
    done = flattop("replay", path, *arguments, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    last = lines_of(done.stdout)[-1]
    assert last["converter"] == converter
    assert abs(last["rms_v"] - 60 / math.sqrt(2)) <= last["rms_u_v"]
    assert last["polarity"] == "opposite"
    assert last["line_to_speaker_db"] == pytest.approx(20 * math.log10(30), abs=last["line_to_speaker_u_db"])
    alone = flattop("replay", path, "--full-scale-v", "100", "--through", "full", "--json", cwd=tmp_path)
    assert lines_of(alone.stdout)[-1]["line_to_speaker_db"] is None, "nothing lies on the line input"


# --- output that ends early, and hands that stop it


@pytest.fixture
def long_recording(tmp_path):
    path = tmp_path / "long.wav"
    path.write_bytes(pcm(np.tile(tone(), 300)))
    return path


@pytest.mark.parametrize("arguments", [["--json"], []], ids=["json", "table"])
def test_output_that_is_closed_early_is_no_fault(tmp_path, stored, arguments):
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = flattop(
            "replay",
            stored(GOOD),
            *arguments,
            cwd=tmp_path,
            capture_output=False,
            stdout=writing,
            stderr=subprocess.PIPE,
        )
    finally:
        os.close(writing)
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    assert "Broken" not in done.stderr


def test_one_line_is_enough_for_head(tmp_path, long_recording):
    command = f"{sys.executable} -m flattop replay {long_recording} --json | head -n 1"
    done = subprocess.run(command, shell=True, capture_output=True, text=True, cwd=tmp_path, timeout=60, check=False)
    assert done.returncode == 0
    assert len(lines_of(done.stdout)) == 1
    assert "Traceback" not in done.stderr
    assert "Broken" not in done.stderr


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")  # noqa: PTH110
@pytest.mark.parametrize("arguments", [["--json"], []], ids=["json", "table"])
def test_output_to_a_full_disk_is_an_error_in_words(tmp_path, stored, arguments):
    with open("/dev/full", "w") as full:  # noqa: PTH123
        done = flattop(
            "replay", stored(GOOD), *arguments, cwd=tmp_path, capture_output=False, stdout=full, stderr=subprocess.PIPE
        )
    assert done.returncode == 2
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


@pytest.mark.parametrize("arguments", [["demo"], ["replay", "long.wav", "--out", "out"]], ids=lambda a: a[0])
def test_an_interrupt_keeps_what_was_written(tmp_path, long_recording, arguments):
    out = tmp_path / "out"
    if arguments == ["demo"]:
        arguments = ["demo", "--out", "out"]
    running = subprocess.Popen(
        [*COMMAND, *arguments], cwd=tmp_path, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    deadline_s = time.monotonic() + 30
    while len(list(out.glob("frames/*.png"))) < 3 and time.monotonic() < deadline_s:
        time.sleep(0.02)
    running.send_signal(signal.SIGINT)
    _, err = running.communicate(timeout=30)
    assert running.returncode == 130, err
    assert "interrupted; what was written so far is kept" in err
    assert "Traceback" not in err
    header, *rows = parse_rfc4180((out / "readings.csv").read_bytes().decode())
    assert len(rows) >= 3
    assert {len(row) for row in rows} == {len(header)}
    with Image.open(out / "screen.gif") as movie:
        movie.load()


def test_a_full_card_ends_the_run_in_words(tmp_path, long_recording):
    place = tmp_path / "card"
    place.mkdir()
    try:
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", str(place)], capture_output=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("no mount here")
    if mounted.returncode:
        pytest.skip("mounting needs root")
    try:
        done = flattop("replay", long_recording, "--every", "0.1", "--out", place / "out", cwd=tmp_path)
        text = (place / "out/readings.csv").read_bytes().decode()
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)
    assert done.returncode == 2
    assert "No space left on device" in done.stderr
    assert "make room" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert text.count("\r\n") > 20


def test_a_wav_header_with_every_field_at_its_extreme_is_refused_without_a_crash(run, stored):
    for value in (0, 1, 0x7FFF, 0xFFFF):
        for place in range(20, 36, 2):
            content = bytearray(GOOD)
            struct.pack_into("<H", content, place, value)
            code, _, err = run("replay", stored(bytes(content)), "--json", "--full-scale-v", "1", "--every", "1")
            assert code in {0, 2}
            assert code == 0 or err.startswith("flattop: ")
