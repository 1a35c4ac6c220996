"""The firmware as a process: power-on, everything that stops it, and what is on the card afterwards."""

from __future__ import annotations

import csv
import datetime
import json
import os
import signal
import subprocess
import sys
import threading
import time

import msgspec
import pytest
from PIL import Image

from dry_world import reading_of
from flattop import plan_files, settings
from flattop.__main__ import main
from flattop.calibration import Calibration
from flattop.errors import CalibrationError, StorageError
from flattop.measure.verdict import Limits
from flattop.panel.menu import Kind, Light, Menu, SetUp
from flattop.power_on import SET_UP, _Clock, load_calibration, load_set_up, set_up_file, with_folder
from flattop.record import run_file, session_folder
from flattop.record.stamps import Trust, Wall
from flattop.samples import Input
from flattop.simulated.calibration import calibrate
from flattop.simulated.live import SCENE_S, Encores
from flattop.simulated.vehicle import Van
from flattop.tuner import beginning
from flattop.tuning.steps import steps_of


def begun(sessions, *options, **environment):
    return subprocess.Popen(
        [sys.executable, "-m", "flattop", "run", "--board", "simulated", "--sessions", str(sessions), *options],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | environment,
    )


def rows(sessions):
    (path,) = sessions.glob("*/readings.csv")
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def until(true, patience_s=30.0):
    end_s = time.monotonic() + patience_s
    while not true() and time.monotonic() < end_s:
        time.sleep(0.02)
    assert true()


@pytest.mark.parametrize("cut_off", [True, False])
def test_a_run_whose_power_was_pulled_goes_on_by_itself_and_one_switched_off_is_only_offered(tmp_path, cut_off):
    plan = plan_files.find("two-bass")
    earlier = tmp_path / "00001-2026-06-01T100000Z"
    earlier.mkdir()
    (earlier / "kept-0003.csv").write_bytes(b"angle_deg\r\n")
    step = steps_of(plan)[0]
    record = msgspec.structs.replace(
        beginning(plan, calibration=None, limits=Limits(), simulated=True, wall=Wall(1e9)),
        steps=(
            run_file.Step(id=step.id, kind="check", place="", state="done"),
            run_file.Step(id="x", kind="set", place=""),
        ),
        kept=(
            run_file.kept_from(
                reading_of(1.0, rms_v=2.0, hz=40.0),
                step=step.id,
                number=3,
                wave="kept-0003.csv",
                wall=Wall(1e9),
                no_load=False,
            ),
        ),
    )
    run_file.save(earlier, record)
    before = (earlier / run_file.NAME).read_bytes()
    if not cut_off:
        (earlier / "summary.json").write_text("{}")
    process = begun(tmp_path, "--for", "3")
    told = process.communicate(timeout=60)[1]
    assert process.returncode == 0, told
    now = session_folder.newest(tmp_path)
    assert now != earlier
    if not cut_off:
        assert not (now / run_file.NAME).exists()
        return
    goes_on = run_file.load(now)
    assert goes_on.kept == record.kept
    assert (now / "kept-0003.csv").read_bytes() == (earlier / "kept-0003.csv").read_bytes()
    assert [note.text for note in goes_on.notes] == [f"gone on with from session {earlier.name}"]
    assert goes_on.steps[0].state == "done"
    assert (earlier / run_file.NAME).read_bytes() == before, "the earlier record stays as it was"


def test_the_simulated_meter_runs_in_real_time_and_leaves_a_whole_session(tmp_path):
    process = begun(tmp_path / "new" / "sessions", "--for", "4")
    told = process.communicate(timeout=60)[1]
    assert process.returncode == 0, told
    assert "SIMULATED" in told
    assert "finished" in told
    logged = rows(tmp_path / "new" / "sessions")
    assert len(logged) >= 20, "ten a second, on any machine that keeps up at all"
    assert {row["simulated"] for row in logged} == {"yes"}
    assert float(logged[-1]["t_s"]) - float(logged[0]["t_s"]) == pytest.approx(4.0, abs=0.6)
    assert any(row["verdict"] == "clean" for row in logged)
    with Image.open(tmp_path / "new" / "sessions" / "screen.png") as picture:
        assert picture.size == (320, 240)
        assert len(picture.getcolors(100_000)) > 3, "the panel shows a frame"


@pytest.mark.parametrize("kind", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_stops_it_safely_and_twice_does_no_harm(tmp_path, kind):
    process = begun(tmp_path)
    until(lambda: list(tmp_path.glob("*/readings.csv")) and len(rows(tmp_path)) > 5)
    process.send_signal(kind)
    process.send_signal(kind)
    told = process.communicate(timeout=60)[1]
    assert process.returncode == 0, told
    assert "stopped" in told
    (summary,) = tmp_path.glob("*/summary.json")
    assert json.loads(summary.read_text())["readings"] == len(rows(tmp_path))


@pytest.mark.parametrize("after_s", [0.3, 0.6, 0.9, 1.2])
def test_it_can_be_stopped_at_any_time_of_its_start(tmp_path, after_s):
    process = begun(tmp_path)
    time.sleep(after_s)
    process.send_signal(signal.SIGTERM)
    told = process.communicate(timeout=60)[1]
    # In the first tenths of a second the interpreter itself has not got as far as to hear it.
    assert process.returncode in {0, -signal.SIGTERM}, told
    assert "Traceback" not in told


def test_a_second_meter_on_the_same_card_measures_without_one_and_says_so(tmp_path):
    first = begun(tmp_path)
    until(lambda: list(tmp_path.glob("*/readings.csv")))
    second = begun(tmp_path, "--for", "1.5")
    told = second.communicate(timeout=60)[1]
    first.send_signal(signal.SIGTERM)
    first.communicate(timeout=60)
    assert second.returncode == 0
    assert "card in use" in told
    assert len(list(tmp_path.glob("*/readings.csv"))) == 1


def test_power_off_is_asked_for_where_the_service_manager_looks(tmp_path, monkeypatch):
    from flattop.power_on import _ask_for_power_off

    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    _ask_for_power_off()
    assert (tmp_path / "power-off").exists()


@pytest.mark.parametrize("folder", ["", "/nonexistent/folder"])
def test_without_that_place_the_tuner_is_told_to_switch_off(folder, monkeypatch, capsys):
    from flattop.power_on import _ask_for_power_off

    monkeypatch.setenv("RUNTIME_DIRECTORY", folder)
    _ask_for_power_off()
    assert "switch" in capsys.readouterr().err


def test_off_a_pi_it_stops_with_one_list_and_never_simulates(tmp_path, capsys):
    assert main(["run", "--sessions", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "no Raspberry Pi" in told
    assert told.count("\n  - ") >= 3, "everything that is missing, at once"
    assert "--board simulated" in told
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "inf"])
def test_a_time_that_is_none_is_refused(seconds, capsys):
    assert main(["run", "--board", "simulated", "--for", seconds]) == 2
    assert "--for" in capsys.readouterr().err


# --- what is remembered


def test_the_set_up_comes_back_but_not_the_clock(tmp_path):
    chosen = SetUp(Input.LINE, Kind.MID_HIGH, Light.NIGHT, muted=True, clock_offset_s=3600.0)
    set_up_file(tmp_path).save(Menu(chosen))
    until((tmp_path / SET_UP).exists)
    assert load_set_up(tmp_path, settings.Settings()) == SetUp(Input.LINE, Kind.MID_HIGH, Light.NIGHT, muted=True)


def test_a_card_that_hangs_costs_one_thread_and_gets_the_newest(tmp_path, monkeypatch):
    gate, written = threading.Event(), []

    def slowly(path, content):
        gate.wait(20.0)
        written.append(json.loads(content)["light"])

    monkeypatch.setattr("flattop.power_on.write_durably", slowly)
    file, before = set_up_file(tmp_path), threading.active_count()
    for light in (Light.SUN, Light.NIGHT, Light.SUN, Light.NIGHT, Light.SHADE):
        file.save(Menu(SetUp(light=light)))
    assert threading.active_count() <= before + 1
    gate.set()
    until(lambda: written and written[-1] == "shade")
    assert len(written) <= 2


class TestClock:
    """What is stamped on a row."""

    @pytest.fixture
    def menu(self):
        return Menu()

    def test_set_by_hand_it_runs_on_whatever_the_host_does(self, menu, tmp_path, monkeypatch):
        clock = _Clock(menu, tmp_path)
        before = clock.now()
        assert before.trust is Trust.UNKNOWN
        menu.set_up = SetUp(clock_offset_s=7200.0)
        set_s = clock.now()
        assert set_s.trust is Trust.SET
        assert set_s.unix_s - before.unix_s == pytest.approx(7200.0, abs=1.0)

        class Jumped(datetime.datetime):
            @classmethod
            def now(cls, tz=None):
                return datetime.datetime(2019, 1, 1, tzinfo=tz)

        monkeypatch.setattr("flattop.power_on.datetime.datetime", Jumped)
        jumped = clock.now()
        assert jumped.trust is Trust.SET
        assert jumped.unix_s - set_s.unix_s == pytest.approx(0.0, abs=1.0)

    def test_a_network_knows_better_than_the_hand(self, menu, tmp_path):
        clock = _Clock(menu, tmp_path)
        menu.set_up = SetUp(clock_offset_s=7200.0)
        (tmp_path / "run/systemd/timesync").mkdir(parents=True)
        (tmp_path / "run/systemd/timesync/synchronized").touch()
        now = clock.now()
        assert now.trust is Trust.NETWORK
        assert now.unix_s == pytest.approx(time.time(), abs=2.0)


@pytest.mark.parametrize("content", [b"", b"{", b'{"input": "aux"}', b"\x00" * 200, b'{"light": 7}', b"[]"])
def test_a_damaged_set_up_is_the_one_as_built(tmp_path, content):
    (tmp_path / SET_UP).write_bytes(content)
    line = settings.Settings(meter=settings.Meter(input="line"))
    assert load_set_up(tmp_path, line) == SetUp(input=Input.LINE)


def test_without_a_card_nothing_is_remembered_and_nothing_fails(tmp_path):
    set_up_file(None).save(Menu())
    set_up_file(tmp_path / "gone").save(Menu())
    assert load_set_up(None, settings.Settings()) == SetUp()
    assert load_set_up(tmp_path / "gone", settings.Settings()) == SetUp()


def test_a_calibration_that_cannot_be_used_leaves_the_meter_running(tmp_path):
    path = tmp_path / "calibration.toml"
    path.write_text("not a calibration")
    named = settings.Settings(files=settings.Files(calibration=str(path)))
    assert isinstance(load_calibration(named), CalibrationError)
    assert load_calibration(settings.Settings()) is None
    assert isinstance(calibrate(seed=1, inputs=[Input.SPEAKER]), Calibration)


def test_a_folder_that_cannot_be_made_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="--sessions"):
        with_folder(settings.Settings(), tmp_path / "file" / "sessions", make=True)
    assert with_folder(settings.Settings(), None) == settings.Settings()


# --- the scene again and again


def test_the_scene_begins_again_and_ends_where_the_hands_left_it():
    import numpy as np

    encores = Encores(seed=3, start_s=1000.0)
    times_s = np.arange(0.0, 0.05, 1e-4)
    for start_s in (0.5, 3.0, 9.0):
        first = Van(seed=3).speaker(times_s + start_s)
        assert encores.speaker(1000.0 + start_s + times_s) == pytest.approx(first, abs=1e-6)
        second = Van(seed=4).speaker(times_s + start_s)
        assert encores.speaker(1000.0 + SCENE_S + start_s + times_s) == pytest.approx(second, abs=1e-6)
    assert np.ptp(encores.line(1000.0 + SCENE_S - 1.0 + times_s)) > 1.0


class Flat:
    """Cells that have just become empty."""

    closed = False

    def __init__(self, **given):
        self.looks = 0

    volts, low = 3.19, True

    @property
    def empty(self):
        self.looks += 1
        return self.looks > 2

    def close(self):
        Flat.closed = True


def test_empty_cells_switch_the_meter_off_with_all_it_has_read_on_the_card(tmp_path, monkeypatch, capsys):
    (tmp_path / "run").mkdir()
    (tmp_path / "card").mkdir()
    monkeypatch.setattr("flattop.selfcheck.on_a_pi", lambda root=None: True)
    monkeypatch.setattr("flattop.power_on.Cells", Flat)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    assert main(["run", "--sessions", str(tmp_path / "card"), "--for", "20"]) == 0
    told = capsys.readouterr().err
    assert told.count("the cells are down to 3.19 V; switching off before they are harmed") == 1
    assert "battery low: the cells are at 3.19 V" not in told, "a fault that comes and goes is shown, not printed"
    assert (tmp_path / "run" / "power-off").exists()
    assert len(rows(tmp_path / "card")) == 3
    assert Flat.closed


# --- a meter with every part broken


def test_a_meter_none_of_whose_parts_answers_says_so_of_each_and_still_runs(tmp_path, monkeypatch, capsys):
    # As on a Pi whose ribbon cables are all off: this machine has neither bus nor pins.
    monkeypatch.setattr("flattop.selfcheck.on_a_pi", lambda root=None: True)
    assert main(["run", "--sessions", str(tmp_path), "--for", "0.8"]) == 0
    told = capsys.readouterr().err
    for words in ("no screen", "no lamp", "no buttons"):
        assert words in told
    logged = rows(tmp_path)
    assert {row["reason"] for row in logged} == {"converter not answering"}
    assert {row["rms_v"] for row in logged} == {""}
