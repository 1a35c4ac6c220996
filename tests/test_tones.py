"""Test tones: level, noise, loop seam and frequency, seen by sox, by scipy and by the meter's own replay."""

from __future__ import annotations

import argparse
import errno
import io
import json
import math
import os
import re
import subprocess
from contextlib import redirect_stdout

import numpy as np
import pytest
from scipy.io import wavfile
from scipy.signal import hilbert

from flattop import tones
from flattop.__main__ import main
from flattop.errors import SettingsError, StorageError
from flattop.tones import Coding, Stretch, Track, Wanted


def given(*arguments):
    parser = argparse.ArgumentParser()
    tones.add_parser(parser.add_subparsers())
    return parser.parse_args(["tones", *map(str, arguments)])


def carried_out(*arguments, plan_tones=()):
    said = []
    assert tones.run(given(*arguments), plan_tones=plan_tones, say=said.append) == 0
    return said


def written(folder, hz, dbfs=0.0, *, rate_hz=48_000, bits=16, side="both", length_s=3.0, seed=1):
    track = tones.sine(Wanted("", hz, dbfs, length_s), rate_hz=rate_hz, side=side)
    path, _ = tones.write(folder, [track], Coding(rate_hz=rate_hz, bits=bits), seed=seed)
    return path, track


def read(path):
    """Return rate and samples, 1 being the largest code, shape (n, 2), by scipy's reader."""
    rate_hz, codes = wavfile.read(path)
    # 24 bit comes left-aligned in 32.
    return rate_hz, codes / (32767.0 if codes.dtype == np.int16 else 8388607.0 * 256)


def fitted(wave, turns):
    """Return the complex amplitude and the residue of a sine of known frequency [turns a sample], by least squares.

    Over whole cycles sine and cosine are orthogonal, and the fit is two sums.
    """
    phase = 2 * np.pi * turns * np.arange(len(wave))
    sine, cosine = np.sin(phase), np.cos(phase)
    in_phase, quadrature = 2 * np.mean(wave * sine), 2 * np.mean(wave * cosine)
    return complex(in_phase, quadrature), wave - in_phase * sine - quadrature * cosine


CASES = [(48_000, 16), (48_000, 24), (44_100, 16), (44_100, 24)]


@pytest.mark.parametrize(("rate_hz", "bits"), CASES)
@pytest.mark.parametrize(("hz", "dbfs"), [(40.0, 0.0), (1000.0, -5.0), (3500.0, -20.0), (9973.0, -0.5)])
def test_level_and_frequency_are_as_asked_for(tmp_path, rate_hz, bits, hz, dbfs):
    path, track = written(tmp_path, hz, dbfs, rate_hz=rate_hz, bits=bits)
    found_hz, wave = read(path)
    assert found_hz == rate_hz
    assert wave.shape == (track.frames, 2)
    (true_hz, _), cycles = track.stretches[0].hz(rate_hz), track.stretches[0].cycles
    assert abs(true_hz / hz - 1) < 1e-5
    assert abs(track.frames / rate_hz - 3.0) < 0.1
    for side in wave.T:
        # A whole number of cycles: a least-squares fit is the DFT, and the closed form is exact.
        amplitude, _ = fitted(side, cycles / track.frames)
        assert 20 * math.log10(abs(amplitude)) == pytest.approx(dbfs, abs=0.001)
        assert abs(np.angle(amplitude)) < 1e-4  # begins at a rising zero crossing
    # The frequency by itself: the phase of the second half against the first does not move.
    half = track.frames // 2
    early, late = (np.exp(-2j * np.pi * true_hz / rate_hz * np.arange(track.frames)) * wave[:, 0]).reshape(-1)[
        : 2 * half
    ].reshape(2, half) @ np.blackman(half)
    assert abs(np.angle(late / early)) / (2 * np.pi * half / rate_hz) < 1e-5 * hz


@pytest.mark.parametrize(("rate_hz", "bits"), CASES)
@pytest.mark.parametrize("dbfs", [0.0, -5.0])
def test_sox_sees_the_same_level(tmp_path, need, rate_hz, bits, dbfs):
    path, _ = written(tmp_path, 997.0, dbfs, rate_hz=rate_hz, bits=bits)
    said = subprocess.run([need("sox"), str(path), "-n", "stats"], capture_output=True, text=True, check=True).stderr
    levels = [float(v) for v in re.search(r"RMS lev dB\s+(.*)", said).group(1).split()]
    # sox counts 2^15 as full scale and the square wave's rms as 0 dB; it prints two decimals.
    assert levels == pytest.approx([dbfs - 3.0103] * 3, abs=0.01)
    info = subprocess.run([need("sox"), "--i", str(path)], capture_output=True, text=True, check=True).stdout
    assert f"{bits}-bit Signed Integer PCM" in info
    assert f": {rate_hz}" in info


def test_level_is_the_convention_of_aes17():
    # AES17 (from memory): the rms of a 997 Hz sine whose positive crest reaches full scale is 0 dBFS.
    assert Coding(bits=16).full_scale == 32767
    assert Coding(bits=24).full_scale == 8388607
    # The room that the dither needs costs next to nothing, and it is enough.
    assert -0.0002 < 20 * math.log10(Coding(bits=16).crest) < 0
    crests = np.tile([Coding(bits=16).crest, -Coding(bits=16).crest], (100_000, 1))
    assert np.abs(tones.quantised(crests, Coding(bits=16), np.random.default_rng(0))).max() == 32767
    track = tones.sine(Wanted("", 1000.0, -5.0, 1.0), rate_hz=48_000)
    assert track.wave(0, track.frames).max() == pytest.approx(0.56234, abs=5e-6)  # 10^(-5/20)


@pytest.mark.parametrize("hz", [40.0, 1000.0, 997.0])
@pytest.mark.parametrize("dbfs", [0.0, -5.0, -60.0])
def test_no_spur_stands_out_of_the_dither(tmp_path, hz, dbfs):
    # 16 bit: error power 1/12 of rounding + 2/12 of triangular dither = 1/4 step^2 (Lipshitz et al. 1992, from memory).
    path, track = written(tmp_path, hz, dbfs, length_s=20.0)
    for side in read(path)[1].T:
        lines = np.abs(np.fft.rfft(side)) ** 2 / len(side) ** 2 * 4  # peak^2 of each line
        cycles = track.stretches[0].cycles
        assert np.argmax(lines) == cycles
        lines[[0, cycles]] = 0.0
        floor = 4 * 0.25 / 32767**2 / len(side)
        assert np.mean(lines[1:]) == pytest.approx(floor, rel=0.02)
        # Of m lines of noise, each of an exponential law, the highest is above ln m + 9.2 with odds of 1e-4.
        worst = lines.max()
        assert worst < floor * (math.log(len(lines)) + 9.2)
        assert 10 * math.log10(worst) < -130


def test_without_dither_there_would_be_spurs():
    # The test above can fail: the same tone merely rounded has lines far over the floor.
    track = tones.sine(Wanted("", 1000.0, -60.0, 20.0), rate_hz=48_000)
    wave = np.rint(32767 * track.wave(0, track.frames)) / 32767
    lines = np.abs(np.fft.rfft(wave)) ** 2 / len(wave) ** 2 * 4
    lines[[0, track.stretches[0].cycles]] = 0.0
    assert lines.max() > 100 * 4 * 0.25 / 32767**2 / len(wave) * (math.log(len(lines)) + 9.2)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("level", [0.0, 0.25, 0.5, 0.77])
def test_mean_and_variance_of_the_error_do_not_depend_on_the_signal(bits, level):
    # What makes a dither triangular (Lipshitz et al. 1992, from memory): both moments are free of the signal.
    coding = Coding(bits=bits)
    n = 200_000
    codes = tones.quantised(np.full((n, 1), (100 + level) / coding.full_scale), coding, np.random.default_rng(1))
    error = codes[:, 0] - (100 + level)
    assert abs(error.mean()) < 5 * 0.5 / math.sqrt(n)
    assert error.var() == pytest.approx(0.25, rel=0.02)
    assert np.abs(error).max() <= 1.5


def test_the_two_sides_carry_dither_of_their_own(tmp_path):
    path, track = written(tmp_path, 100.0, -20.0)
    left, right = (fitted(side, track.stretches[0].cycles / track.frames)[1] for side in read(path)[1].T)
    assert abs(np.corrcoef(left, right)[0, 1]) < 5 / math.sqrt(len(left))


@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
@pytest.mark.parametrize("hz", [5.0, 10.0, 33.3333, 40.0, 997.0, 3500.0, 11_111.1, 20_000.0])
def test_played_again_and_again_there_is_no_seam(tmp_path, rate_hz, hz):
    path, track = written(tmp_path, hz, 0.0, rate_hz=rate_hz, length_s=1.0)
    side = read(path)[1][:, 0]
    true_hz = track.stretches[0].hz(rate_hz)[0]
    assert abs(true_hz / hz - 1) < 1e-4
    twice = np.concatenate([side, side])
    # No step larger than the sine's own (2 sin(w/2)), and two steps of dither with the rounding.
    slope = 2 * math.sin(math.pi * true_hz / rate_hz) + 3 / 32767
    assert np.abs(np.diff(twice)).max() <= slope
    # One sine runs through both rounds: what is left after the fit is the dither, at the seam as elsewhere.
    _, residue = fitted(twice, track.stretches[0].cycles / track.frames)
    n = track.frames
    assert np.abs(residue[n - 50 : n + 50]).max() < 2 / 32767
    # Each round alone repeats, so the odd lines of two rounds are the sidebands that a seam would make.
    ideal = track.wave(0, n)
    spectrum = np.abs(np.fft.rfft(np.concatenate([ideal, ideal]))) / n
    spectrum[2 * track.stretches[0].cycles] = 0.0
    assert spectrum.max() < 1e-12


def test_a_seam_would_be_seen():
    wave = np.sin(2 * np.pi * 40.25 * np.arange(48_000) / 48_000)  # a quarter of a cycle too many
    assert np.abs(np.diff(np.concatenate([wave, wave]))).max() > 2 * math.sin(math.pi * 41 / 48_000) + 3 / 32767


@pytest.mark.parametrize(("side", "loud", "quiet"), [("left", 0, 1), ("right", 1, 0)])
@pytest.mark.parametrize("bits", [16, 24])
def test_one_side_alone(tmp_path, side, loud, quiet, bits):
    path, track = written(tmp_path, 1000.0, -5.0, side=side, bits=bits)
    wave = read(path)[1]
    assert np.std(wave[:, loud]) == pytest.approx(0.56234 / math.sqrt(2), rel=1e-3)
    # Dithered silence: half a step rms, not digital zero.
    assert np.std(wave[:, quiet]) == pytest.approx(0.5 / (2 ** (bits - 1) - 1), rel=0.02)
    assert abs(fitted(wave[:, quiet], track.stretches[0].cycles / track.frames)[0]) < 0.03 / (2 ** (bits - 1) - 1)


@pytest.mark.parametrize(("low", "high"), [(10.0, 300.0), (10.0, 20_000.0)])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_continuous_sweep_follows_its_law(low, high, rate_hz):
    track = tones.sweep(low, high, length_s=20.0, dbfs=0.0, rate_hz=rate_hz)
    wave = track.wave(0, track.frames)
    first, last = track.stretches[0].hz(rate_hz)
    assert first == pytest.approx(low, rel=1e-4)
    assert last == pytest.approx(high, rel=1e-4)
    t = np.arange(track.frames) / track.frames
    law = first * (last / first) ** t
    # Instantaneous frequency by the analytic signal (scipy), away from the ends where it rings.
    phase = np.unwrap(np.angle(hilbert(wave)))
    seen = np.diff(phase) * rate_hz / (2 * np.pi)
    width = rate_hz // 4
    middle = slice(2 * rate_hz, -2 * rate_hz)
    smooth, wanted = ((total[width:] - total[:-width])[middle] for total in (np.cumsum(seen), np.cumsum(law[:-1])))
    assert np.abs(smooth / wanted - 1).max() < 5e-3
    # Phase-exact: whole cycles over the file (Farina's closed form), and so no jump where it begins again.
    turns = first * (track.frames / rate_hz) / math.log(last / first) * (last / first - 1)
    assert turns == pytest.approx(round(turns), abs=1e-6)
    assert abs(wave[0]) < 1e-12
    assert abs(wave[-1]) <= 2 * math.pi * last / rate_hz
    if high < 1000:  # zero crossings against the closed form, one for one
        at = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
        crossed = (at + wave[at] / (wave[at] - wave[at + 1])) / track.frames
        k = np.arange(1, len(crossed) + 1)
        true = np.log1p(k * (last / first - 1) / track.stretches[0].cycles) / math.log(last / first)
        np.testing.assert_allclose(crossed, true, atol=3e-8 * 48_000 / rate_hz + 2e-7)


def test_portions_make_no_difference():
    for track in (
        tones.sweep(10.0, 300.0, length_s=5.0, dbfs=-1.0, rate_hz=44_100),
        tones.stepped(10.0, 300.0, 4, dbfs=-1.0, rate_hz=44_100),
    ):
        whole = track.wave(0, track.frames)
        pieces = [track.wave(a, min(a + 9973, track.frames)) for a in range(0, track.frames, 9973)]
        np.testing.assert_array_equal(np.concatenate(pieces), whole)


@pytest.mark.parametrize(("low", "high", "steps"), tones.SWEEPS_HZ)
def test_stepped_sweep(low, high, steps):
    track = tones.stepped(low, high, steps, dbfs=0.0, rate_hz=44_100)
    assert len(track.stretches) == steps + 1
    seen = [stretch.hz(44_100)[0] for stretch in track.stretches]
    np.testing.assert_allclose(seen, np.geomspace(low, high, steps + 1), rtol=1e-5)
    lengths = np.array([stretch.frames for stretch in track.stretches]) / 44_100
    assert np.abs(lengths / tones.STEP_S - 1).max() < 0.03
    # From step to step the wave goes on: nowhere a larger step than the faster tone's own.
    ends = np.cumsum([stretch.frames for stretch in track.stretches])[:-1]
    for end, hz in zip(ends, seen[1:], strict=True):
        assert (
            np.abs(np.diff(track.wave(int(end) - 3, int(end) + 3))).max() <= 2 * math.sin(math.pi * hz / 44_100) + 1e-12
        )


@pytest.mark.parametrize("bits", [16, 24])
def test_silence_is_dithered_and_holds_nothing_else(tmp_path, bits):
    track = tones.silence(length_s=5.0, rate_hz=48_000)
    path, _ = tones.write(tmp_path, [track], Coding(bits=bits))
    codes = read(path)[1] * (2 ** (bits - 1) - 1)
    assert np.std(codes) == pytest.approx(0.5, rel=0.01)
    assert np.abs(codes).max() < 1.01
    assert np.abs(np.fft.rfft(codes[:, 0]))[1:].max() ** 2 / (0.25 * len(codes)) < math.log(len(codes)) + 9.2


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("hz", [40.0, 1000.0])
def test_our_own_replay_calls_it_clean(tmp_path, bits, hz):
    path, track = written(tmp_path, hz, -3.0, bits=bits, rate_hz=44_100)
    with redirect_stdout(io.StringIO()) as out:
        assert main(["replay", str(path), "--json", "--full-scale-v", "10"]) == 0
    rows = [json.loads(line) for line in out.getvalue().splitlines()]
    judged = [row for row in rows if row["verdict"] != "unknown"]
    assert len(judged) >= len(rows) - 2
    assert {row["verdict"] for row in judged} == {"clean"}
    true_hz = track.stretches[0].hz(44_100)[0]
    assert [row["hz"] for row in judged] == pytest.approx([true_hz] * len(judged), rel=1e-5)
    level = 10 / math.sqrt(2) * 10 ** (-3 / 20)
    assert [row["rms_v"] for row in judged] == pytest.approx([level] * len(judged), rel=1e-4)


@pytest.mark.parametrize("hz", [40.0, 997.0, 20_000.0, 7.77])
def test_whole_cycles_in_whole_frames_close_to_what_was_asked(hz):
    for rate_hz in tones.RATES_HZ:
        for length_s in (1.0, 3.0, 30.0, 12.345):
            frames, cycles = tones.whole(mean_hz=hz, length_s=length_s, rate_hz=rate_hz)
            error = abs(cycles * rate_hz / frames / hz - 1)
            assert error < (1e-6 if length_s > 12 else 1e-4)
            assert abs(frames / rate_hz - length_s) <= max(0.021 * length_s, 0.51 / hz)
    assert tones.whole(mean_hz=40.0, length_s=30.0, rate_hz=44_100) == (1_323_000, 1200)  # exact: nothing to choose


# -- command ----------------------------------------------------------------------------------------------------------


def test_bare_command_writes_tones_sweeps_silence_and_a_note(tmp_path):
    carried_out(tmp_path / "new" / "folder", "--length", 1)
    names = sorted(path.name for path in (tmp_path / "new" / "folder").iterdir())
    assert names[0] == "01_bass_40Hz_0dBFS_both.wav"
    assert len(names) == 8 + 4 + 1 + 1
    assert names[-1] == "README.txt"
    text = (tmp_path / "new/folder/README.txt").read_bytes().decode("utf-8")
    for name in names[:-1]:
        assert name in text
    assert text.count("\r\n") == text.count("\n")
    for word in ("speakers", "Gains and volume down", "Ears", "30 V rms", "repeat one", "AES17", "gain overlap"):
        assert word in text
    assert "Hz, -10 dBFS, both sides" in text
    stated = [float(hz) for hz in re.findall(r"^    ([\d.]+) Hz, ", text.replace("\r", ""), re.MULTILINE)]
    assert stated == pytest.approx([40.0, 1000.0, 3500.0, 5000.0] * 2, rel=1e-4)


def test_own_tones_on_chosen_sides(tmp_path):
    carried_out(
        tmp_path, "--tone", "31.5,-5,1", "--tone=997", "--side", "left", "--side", "both", "--no-sweeps", "--length", 2,
        "--rate", 44100, "--bits", 24,
    )  # fmt: skip
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == [
        "01_31.5Hz_-5dBFS_left.wav",
        "02_31.5Hz_-5dBFS_both.wav",
        "03_997Hz_0dBFS_left.wav",
        "04_997Hz_0dBFS_both.wav",
        "README.txt",
    ]
    rate_hz, wave = read(tmp_path / names[0])
    assert rate_hz == 44_100
    assert len(wave) / rate_hz == pytest.approx(1.0, abs=0.02)
    assert len(read(tmp_path / names[3])[1]) / rate_hz == pytest.approx(2.0, abs=0.02)


class PlanTone:
    def __init__(self, name, hz, dbfs):
        self.name, self.hz, self.dbfs = name, hz, dbfs


def test_tones_of_a_plan_are_named_as_it_names_them(tmp_path):
    plan_tones = [PlanTone("Bass / deep: 1*", 40.0, 0.0), PlanTone("Höhen", 3500.0, -5.0), PlanTone("...", 60.0, 0.0)]
    carried_out(tmp_path, "--plan", "van", "--no-sweeps", "--length", 1, plan_tones=plan_tones)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names[:3] == [
        "01_Bass-deep-1_40Hz_0dBFS_both.wav",
        "02_Höhen_3500Hz_-5dBFS_both.wav",
        "03_60Hz_0dBFS_both.wav",
    ]


def test_every_bad_argument_at_once(tmp_path):
    with pytest.raises(SettingsError) as caught:
        tones.run(
            given(
                tmp_path, "--tone", "4", "--tone", "40,3", "--tone", "40,0,0.1", "--tone", "forty", "--tone", "1,2,3,4",
                "--tone", "nan,inf", "--rate", 96000, "--bits", 8, "--side", "middle", "--length", 0,
                "--sweep-dbfs", 1, "--seed", -1,
            )
        )  # fmt: skip
    said = str(caught.value)
    for fault in (
        "--rate is 96000; allowed are 44100 and 48000",
        "--bits is 8; allowed are 16 and 24",
        "--side is middle; allowed are both, left, right",
        "--length is 0 s; allowed is 1 to 3600 s",
        "--sweep-dbfs is 1 dBFS; allowed is -100 to 0 dBFS",
        "--seed is -1",
        "--tone 4: the frequency is 4 Hz; allowed is 5 to 20000 Hz",
        "--tone 40,3: the level is 3 dBFS; allowed is -100 to 0 dBFS",
        "--tone 40,0,0.1: the length is 0.1 s",
        "--tone is forty; needed is HZ",
        "--tone is 1,2,3,4; needed is HZ",
        "the frequency is nan Hz",
        "the level is inf dBFS",
    ):
        assert fault in said
    assert said.count("\n") == 13
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("arguments", "plan_tones", "fault"),
    [
        (["--plan", "van"], [], "has no tones"),
        (["--plan", "van"], [PlanTone("Deep", 2.0, 0.0)], "tone Deep of the plan: the frequency is 2 Hz"),
        (["--tone=50"] * 91, [], "91 tones are asked for; allowed are 90"),
    ],
)
def test_bad_tones(tmp_path, arguments, plan_tones, fault):
    with pytest.raises(SettingsError, match=fault):
        tones.run(given(tmp_path, *arguments), plan_tones=plan_tones)
    assert not list(tmp_path.iterdir())


def test_nothing_is_written_over(tmp_path):
    (tmp_path / "README.txt").write_text("mine")
    (tmp_path / "01_40Hz_0dBFS_both.wav").symlink_to("nowhere")
    with pytest.raises(StorageError, match="holds 2 of the files"):
        carried_out(tmp_path, "--tone", 40, "--no-sweeps", "--length", 1)
    assert (tmp_path / "README.txt").read_text() == "mine"
    assert len(list(tmp_path.iterdir())) == 2


def test_a_file_that_appears_meanwhile_is_not_written_over(tmp_path, monkeypatch):
    real = tones._wav

    def slow(track, coding, rng):
        (tmp_path / "01_40Hz_0dBFS_both.wav").write_text("mine")
        yield from real(track, coding, rng)

    monkeypatch.setattr(tones, "_wav", slow)
    with pytest.raises(StorageError, match="appeared meanwhile"):
        carried_out(tmp_path, "--tone", 40, "--no-sweeps", "--length", 1)
    assert [path.name for path in tmp_path.iterdir()] == ["01_40Hz_0dBFS_both.wav"]
    assert (tmp_path / "01_40Hz_0dBFS_both.wav").read_text() == "mine"


def test_folder_that_is_a_file(tmp_path):
    (tmp_path / "taken").write_text("")
    with pytest.raises(StorageError, match="cannot be used"):
        carried_out(tmp_path / "taken", "--tone", 40, "--no-sweeps")


def test_full_disk_leaves_whole_files_only(tmp_path, monkeypatch):
    def run_dry(descriptor):
        if list(tmp_path.glob(".02*.part")):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(descriptor)

    real = os.fsync
    monkeypatch.setattr(os, "fsync", run_dry)
    with pytest.raises(StorageError, match=r"02_50Hz.*No space left.*; make room"):
        carried_out(tmp_path, "--tone", 40, "--tone", 50, "--no-sweeps", "--length", 1)
    names = [path.name for path in tmp_path.iterdir()]
    assert names == ["01_40Hz_0dBFS_both.wav"]
    assert len(read(tmp_path / names[0])[1]) == 48_000


def test_really_full_disk(tmp_path):
    # A file-size limit of the system stands for a full card: the write itself fails half-way.
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN); resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))\n"
        "from flattop import tones\n"
        "track = lambda s: tones.sine(tones.Wanted('', 40.0, 0.0, s), rate_hz=48_000)\n"
        "try: tones.write(Path(sys.argv[1]), [track(1.0), track(3.0)], tones.Coding())\n"
        "except tones.StorageError as error: print(error)\n"
    )
    done = subprocess.run(
        [os.sys.executable, "-c", code, str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ.copy(),
    )
    assert "1 of 3 files are there and whole" in done.stdout
    assert [path.name for path in tmp_path.iterdir()] == ["01_40Hz_0dBFS_both.wav"]
    assert len(read(tmp_path / "01_40Hz_0dBFS_both.wav")[1]) == 48_000


def test_same_seed_same_bytes(tmp_path):
    first, _ = written(tmp_path / "a", 40.0, seed=5)
    again, _ = written(tmp_path / "b", 40.0, seed=5)
    other, _ = written(tmp_path / "c", 40.0, seed=6)
    assert first.read_bytes() == again.read_bytes() != other.read_bytes()


def test_note_lists_each_step_with_its_beginning():
    track = Track("s", "use", (Stretch(48_000, 10, -1.0), Stretch(96_000, 40, -1.0)))
    text = tones.note([track], ["01_s_both.wav"], Coding())
    assert "10 to 20 Hz, -1 dBFS, both sides, 3.000 s" in text
    assert re.search(r"from +0\.000 s +10 Hz\n +from +1\.000 s +20 Hz", text)
