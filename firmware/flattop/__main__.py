"""The command line: arguments -> settings -> board, recording or plan -> what the command makes of it."""

from __future__ import annotations

import argparse
import datetime
import importlib
import json
import math
import os
import signal
import sys
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

# The meter has small matrices and one core to spare: threads inside the linear algebra only cost time.
# This must be set before numpy is loaded, so everything that loads it is imported further down, where it is used.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from flattop import __version__
from flattop.errors import CalibrationError, FlattopError, SettingsError

if TYPE_CHECKING:
    from flattop.calibration import Calibration
    from flattop.measure.reading import Reading
    from flattop.meter import Meter
    from flattop.samples import Input
    from flattop.settings import Settings
    from flattop.simulated.board import SimulatedBoard
    from flattop.simulated.codec import SimulatedCapture
    from flattop.simulated.frontend import Signal

WARM_UP_S = 1.0
"""The simulated meter is switched on this long before a recording starts [s]."""
SESSIONS = "flattop-sessions"
"""Folder for sessions of the simulated meter, where the settings name none."""
KEEP_S = 2.0
"""How much of a recording is kept for looking back [s]."""
EVERY_S = (0.05, 3600.0)
CAUTION = (
    "Above 30 V rms treat every conductor as live. Gain down and amplifier muted before clipping on; "
    "speakers off before full-level tones. See the cautions in README.md."
)


def _parser(first: str = "") -> argparse.ArgumentParser:
    """Return the parser of the whole command line.

    first : the first argument. Where it is a command, those of other modules are left out, and so not loaded.
    """
    parser = argparse.ArgumentParser(
        prog="flattop", description="Volts, frequency and flat tops at amplifier terminals.", epilog=CAUTION
    )
    parser.add_argument("--version", action="version", version=f"flattop {__version__}")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="settings file (TOML); defaults without one")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    run = commands.add_parser("run", help="be the meter: measure, show and log until it is switched off")
    run.add_argument(
        "--board", choices=["real", "simulated"], default="real", help="simulated: in real time, no hardware needed"
    )
    run.add_argument("--seed", type=int, default=1, help="draws the simulated meter (default 1)")
    run.add_argument("--sessions", type=Path, metavar="DIR", help="folder for sessions (default from settings)")
    run.add_argument("--for", type=float, metavar="S", dest="for_s", help="stop by itself after so many seconds")

    for command, module in ELSEWHERE.items():
        if first not in COMMANDS or first == command:
            importlib.import_module(module).add_parser(commands)
    copy = commands.add_parser("copy", help="copy sessions to a stick, each as one ZIP file that is read back")
    copy.add_argument("--to", type=Path, required=True, metavar="DIR", help="where the stick is")
    copy.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the sessions (default from settings)")
    copy.add_argument("session", nargs="*", metavar="SESSION", help="names of sessions (default the newest)")

    demo = commands.add_parser(
        "demo", help="tune a simulated vehicle from the source to the record, with people who follow only the meter"
    )
    demo.add_argument("--seed", type=int, default=1, help="draws tolerances, noise and hands (default 1)")
    demo.add_argument("--plan", metavar="PLAN", help="file of a plan, or name of a ready-made one (default van)")
    demo.add_argument(
        "--vehicle", metavar="FILE", help="the vehicle (TOML), or a ready-made one: van (default) or full-range"
    )
    demo.add_argument(
        "--short", action="store_true", help="no run: 20 s of one 40 Hz tone, a gain pot turned until it is clean"
    )
    demo.add_argument("--out", type=Path, metavar="DIR", help="session folder, new or empty (default flattop-demo)")

    replay = commands.add_parser("replay", help="measure a recording: WAV, or CSV with the header time_s,volts")
    replay.add_argument("file", type=Path, metavar="FILE")
    replay.add_argument("--channel", type=int, default=1, help="channel of a WAV file, from 1 (default 1)")
    replay.add_argument(
        "--full-scale-v", type=float, metavar="V", help="volts at digital full scale of a WAV file (default 1)"
    )
    replay.add_argument("--input", choices=["speaker", "line"], help="where it was recorded (default from settings)")
    replay.add_argument("--every", type=float, default=0.25, metavar="S", help="time between updates (default 0.25 s)")
    replay.add_argument(
        "--through",
        choices=["bass", "full"],
        help="play it into the simulated front end and its bass converter, or into both converters",
    )
    replay.add_argument(
        "--line-channel", type=int, metavar="N", help="channel that lies on the line input, with --through full"
    )
    replay.add_argument("--seed", type=int, default=1, help="draws the simulated meter of --through (default 1)")
    replay.add_argument("--json", action="store_true", help="print one JSON object a line for each update, no table")
    replay.add_argument("--out", type=Path, metavar="DIR", help="session folder, new or empty")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return 0, or 2 after a message on what cannot be used, or 130 when interrupted."""
    arguments = sys.argv[1:] if arguments is None else arguments
    given = _parser(next(iter(arguments), "")).parse_args(arguments)
    try:
        from flattop import settings

        chosen = settings.load(given.settings)
        code = COMMANDS[given.command](given, chosen)
        sys.stdout.flush()
        return code
    except FlattopError as error:
        print(f"flattop: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nflattop: interrupted; what was written so far is kept", file=sys.stderr)
        return 130
    except BrokenPipeError:
        _drop_output()
        return 0
    except OSError as error:
        print(f"flattop: the output cannot be written ({error.strerror or error}); make room for it", file=sys.stderr)
        _drop_output()
        return 2


def _drop_output() -> None:
    """Send what is still to be printed nowhere, so that the interpreter does not complain of it once more at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


# -- commands ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Course:
    """A stream of readings and what belongs to it."""

    readings: Iterable[Reading]
    start_s: float
    end_s: float
    label: str = ""
    heed: Callable[[Reading], None] | None = None
    """Who looks at the screen and acts on it."""


def _demo(given: argparse.Namespace, settings: Settings) -> int:
    from flattop.console import say
    from flattop.samples import Input
    from flattop.simulated.board import SimulatedBoard
    from flattop.simulated.vehicle import Van

    _check_seed(given.seed)
    if given.short and (given.plan or given.vehicle):
        raise SettingsError("--short plays one tone, without a plan or a vehicle; leave one of them out")
    say("SIMULATED board, SIMULATED van: nothing here is connected to anything.")
    if not given.short:
        return _tune(given, settings)
    van = Van(seed=given.seed)
    board = SimulatedBoard(seed=given.seed, speaker=van.speaker, line=van.line)
    with ExitStack() as opened:
        meter = _simulated_meter(
            board, Input.SPEAKER, given, settings, opened, update_s=settings.meter.update_s, end_s=Van.duration_s
        )
        course = _Course(
            meter.readings(),
            0.0,
            Van.duration_s,
            label="Bass A",
            heed=lambda reading: van.observe(str(reading.verdict), reading.time_s),
        )
        return _carry_out(course, given, default="flattop-demo", as_json=False)


def _run(given: argparse.Namespace, settings: Settings) -> int:
    # Until there is an instrument to stop safely, there is nothing that a stop could harm.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    from flattop.board import open_board
    from flattop.calibration import Calibration
    from flattop.console import say
    from flattop.power_on import load_calibration, run, with_folder
    from flattop.samples import Input
    from flattop.selfcheck import missing_off_a_pi, on_a_pi

    _check_seed(given.seed)
    if given.for_s is not None and not 0.0 < given.for_s < math.inf:
        raise SettingsError(f"--for is {given.for_s:g} s; allowed is more than 0; give another, or none for ever")
    if given.board == "real":
        settings = with_folder(settings, given.sessions)
        if not on_a_pi():
            raise SettingsError(missing_off_a_pi(settings))
        calibration = load_calibration(settings)
        good = calibration if isinstance(calibration, Calibration) else None
        return run(settings, open_board(settings, good), calibration=calibration, for_s=given.for_s)

    from flattop.simulated.live import LiveBoard, keyboard

    say("SIMULATED board, SIMULATED van: nothing here is connected to anything.")
    settings = with_folder(settings, given.sessions or Path(settings.files.folder or SESSIONS), make=True)
    made = _calibration(given.seed, list(Input), settings)
    board = LiveBoard(settings, made, seed=given.seed, picture=Path(settings.files.folder) / "screen.png")
    with keyboard(board.press):
        return run(settings, board.opened, calibration=made, for_s=given.for_s, simulated=True, heed=board.heed)


def _tune(given: argparse.Namespace, settings: Settings) -> int:
    """Carry a plan out on a simulated vehicle: people who follow screen and sounder, and the record of it all."""
    from flattop import plan_files
    from flattop.console import Progress, print_findings, print_outputs
    from flattop.meter import limits_from
    from flattop.panel.drawing import palette
    from flattop.panel.first_page import FirstPage
    from flattop.panel.screen import draw
    from flattop.record import run_file
    from flattop.record.session import Session, new_folder
    from flattop.record.stamps import Wall
    from flattop.samples import Input
    from flattop.simulated.scene import LONGEST_S, READY_MADE, Scene, ready_made
    from flattop.simulated.vehicle_file import check_against, load
    from flattop.tuner import Tuner, beginning
    from flattop.tuning.run import Run

    plan = plan_files.find(given.plan or "van")
    vehicle = ready_made(given.vehicle or "van") if given.vehicle in (None, *READY_MADE) else load(Path(given.vehicle))
    check_against(vehicle, plan)
    limits = limits_from(settings.verdict)
    made = _calibration(given.seed, list(Input), settings)
    scene = Scene(plan, vehicle, made, seed=given.seed, limits=limits, update_s=settings.meter.update_s)
    folder = new_folder(given.out, default="flattop-demo")
    run, display = Run(plan), FirstPage()
    with closing(Session(folder, palette=palette())) as session, Progress(0.0, LONGEST_S) as progress:
        tuner = Tuner(
            run,
            keep=session.keep,
            save=lambda record: run_file.save(folder, record),
            record=beginning(plan, calibration=made, limits=limits, simulated=True, wall=Wall(0.0)),
            wall=lambda: Wall(0.0),
        )
        for reading in scene.readings(tuner):
            progress.show_run(reading, tuner.prompt)
            view = tuner.view(display.view(reading))
            session.add(reading, draw(view) if session.wants_frame(reading) else None)
    print_outputs(tuner.record)
    print()
    print_findings(tuner.findings)
    print(f"\nSession: {folder} (run.json, readings.csv, kept-*.csv, frames/, screen.gif)")
    print(f"Report:  flattop report {folder}")
    return 0


def _plan(given: argparse.Namespace, settings: Settings) -> int:
    from flattop import plan_files

    return plan_files.run(given)


def _tones(given: argparse.Namespace, settings: Settings) -> int:
    from flattop import plan_files, tones

    return tones.run(given, plan_tones=plan_files.find(given.plan).tones if given.plan else ())


def _response(given: argparse.Namespace, settings: Settings) -> int:
    from flattop import response_files

    return response_files.run(given)


def _report(given: argparse.Namespace, settings: Settings) -> int:
    from flattop.record import report

    return report.run(given)


def _copy(given: argparse.Namespace, settings: Settings) -> int:
    from flattop.record.export import copy_to
    from flattop.record.session_folder import newest

    root = given.sessions or Path(settings.files.folder or SESSIONS)
    for session in [root / name for name in given.session] or [newest(root)]:
        print(copy_to(session, given.to))
    return 0


def _replay(given: argparse.Namespace, settings: Settings) -> int:
    from flattop.samples import Input

    if not EVERY_S[0] <= given.every <= EVERY_S[1]:
        allowed = f"{EVERY_S[0]:g} to {EVERY_S[1]:g} s"
        raise SettingsError(f"--every is {given.every:g} s; allowed is {allowed}; give another")
    _check_seed(given.seed)
    input = Input(given.input or settings.meter.input)  # noqa: A001  the trade's word
    if given.line_channel is not None and given.through != "full":
        raise SettingsError("--line-channel is for two inputs at once; add --through full, or leave it out")
    with ExitStack() as opened:
        opening = _direct if given.through is None else _through
        return _carry_out(opening(given, settings, input, opened), given, default="flattop-replay", as_json=given.json)


def _direct(given: argparse.Namespace, settings: Settings, input: Input, opened: ExitStack) -> _Course:
    """Return the run of a recording measured as it is."""
    from flattop.converters.recording import RecordingConverter
    from flattop.meter import Meter, limits_from

    converter = opened.enter_context(
        closing(
            RecordingConverter(
                given.file, channel=given.channel, full_scale_v=_full_scale(given), input=input, keep_s=KEEP_S
            )
        )
    )
    _say_notes(converter.notes)
    meter = Meter(
        converter,
        start_s=converter.start_s,
        limits=limits_from(settings.verdict),
        update_s=given.every,
        window_s=settings.meter.window_s,
    )
    return _Course(meter.readings(), converter.start_s, converter.end_s)


def _through(given: argparse.Namespace, settings: Settings, input: Input, opened: ExitStack) -> _Course:
    """Return the run of a recording played into a simulated meter."""
    from flattop.samples import Input
    from flattop.simulated.board import SimulatedBoard, silence
    from flattop.simulated.codec import SimulatedCapture
    from flattop.simulated.playback import Playback

    full_scale_v = _full_scale(given)

    def played(channel: int) -> Playback:
        # Each converter asks in its own order of time, and a recording forgets what it was asked: one player for each.
        return opened.enter_context(closing(Playback(given.file, channel=channel, full_scale_v=full_scale_v)))

    def on_input(which: Input) -> Signal:
        channel = given.channel if which is input else None
        if given.line_channel is not None:
            channel = given.line_channel if which is Input.LINE else given.channel
        return played(channel) if channel is not None else silence

    measured = played(given.channel)
    _say_notes(measured.notes)
    start_s, end_s = measured.start_s, measured.end_s
    speaker, line = on_input(Input.SPEAKER), on_input(Input.LINE)
    board = SimulatedBoard(seed=given.seed, speaker=speaker, line=line, start_s=start_s - WARM_UP_S)
    capture = None
    if given.through == "full":
        speaker, line = on_input(Input.SPEAKER), on_input(Input.LINE)
        tolerances = board.front_end.tolerances
        capture = SimulatedCapture(seed=given.seed, time=board.time, speaker=speaker, line=line, tolerances=tolerances)
    meter = _simulated_meter(board, input, given, settings, opened, update_s=given.every, end_s=end_s, capture=capture)
    return _Course((reading for reading in meter.readings() if reading.time_s > start_s), start_s, end_s)


def _simulated_meter(
    board: SimulatedBoard,
    input: Input,
    given: argparse.Namespace,
    settings: Settings,
    opened: ExitStack,
    *,
    update_s: float,
    end_s: float,
    capture: SimulatedCapture | None = None,
) -> Meter:
    """Return the meter on a simulated board: the real driver, and a calibration as a real meter would have.

    capture : the full-band converter's; None for a meter without one
    """
    from flattop.bands import Bands
    from flattop.converters import Converter
    from flattop.converters.ads1015 import Ads1015Converter
    from flattop.converters.ads1015_chip import Alert
    from flattop.converters.codec import CodecConverter
    from flattop.meter import Meter, limits_from
    from flattop.simulated.board import ALERT_GPIO

    wired = settings.ads1015.alert_gpio >= 0
    calibration = _calibration(given.seed, [input], settings)
    converter: Converter = Ads1015Converter(
        board.i2c,
        board.time,
        input=input,
        rate=settings.ads1015.rate,
        alert=Alert(ALERT_GPIO, board.pin_factory) if wired else None,
        calibration=calibration,
        simulated=True,
    )
    if capture is not None:
        codec = CodecConverter(capture, board.time, input=input, calibration=calibration, simulated=True)
        converter = Bands(converter, codec, codec, now_s=board.time.now_s)
    opened.enter_context(closing(converter))
    return Meter(
        converter,
        time=board.time,
        end_s=end_s,
        limits=limits_from(settings.verdict),
        update_s=update_s,
        window_s=settings.meter.window_s,
    )


def _calibration(seed: int, inputs: list[Input], settings: Settings) -> Calibration:
    """Return the calibration that the settings name, or one made now against the simulated reference."""
    from flattop import calibration
    from flattop.console import say
    from flattop.simulated.calibration import calibrate

    if settings.files.calibration:
        today = datetime.datetime.now().astimezone().date()
        found = calibration.load(Path(settings.files.calibration), serial=settings.meter.serial, today=today)
        if found.serial != f"SIM-{seed}":
            raise CalibrationError(
                f"calibration file {settings.files.calibration} is of the meter {found.serial}; the simulated meter of "
                f"this seed is SIM-{seed}; name its file, or none"
            )
        say(f"flattop: note: calibration of {found.serial}, {calibration.age_days(found, today)} days old, applied")
        return found
    say("flattop: note: no calibration file is named in the settings; calibrated against the simulated reference")
    return calibrate(seed=seed, inputs=inputs)


def _carry_out(course: _Course, given: argparse.Namespace, *, default: str, as_json: bool) -> int:
    """Show and log a run from its first reading to its last."""
    from flattop.console import Progress, Table, say
    from flattop.panel.drawing import palette
    from flattop.panel.first_page import FirstPage
    from flattop.panel.screen import draw
    from flattop.record.rows import as_row, rounded
    from flattop.record.session import Session, new_folder

    table, display = Table(), FirstPage(label=course.label)
    with ExitStack() as opened:
        # The lines of --json are a record by themselves; a folder is written beside them only when asked for.
        folder = None if as_json and given.out is None else new_folder(given.out, default=default)
        session = opened.enter_context(closing(Session(folder, palette=palette()))) if folder is not None else None
        progress = opened.enter_context(Progress(course.start_s, course.end_s))
        for reading in course.readings:
            if as_json:
                print(json.dumps(rounded(as_row(reading)), allow_nan=False), flush=True)
            else:
                progress.show(reading)
            view = display.view(reading)
            if session is not None:
                session.add(reading, draw(view) if session.wants_frame(reading) else None)
            if course.heed is not None:
                course.heed(reading)
            table.add(reading)
    if not as_json:
        table.print()
    if folder is not None:
        where = f"\nSession: {folder} (readings.csv, frames/, screen.gif)"
        say(where) if as_json else print(where)
    return 0


def _full_scale(given: argparse.Namespace) -> float | None:
    """Return the volts at full scale: for a WAV file 1 V, said aloud, where none are given."""
    if given.full_scale_v is not None:
        return float(given.full_scale_v)
    try:
        with given.file.open("rb") as file:
            wav = file.read(4) == b"RIFF"
    except OSError:
        return None  # opening it in earnest says what is wrong
    if wav:
        _say_notes(["digital full scale is taken as 1 V; give the true volts with --full-scale-v"])
    return 1.0 if wav else None


def _say_notes(notes: Iterable[str]) -> None:
    from flattop.console import say

    for note in notes:
        say(f"flattop: note: {note}")


def _check_seed(seed: int) -> None:
    if seed < 0:
        raise SettingsError(f"--seed is {seed}; allowed is 0 or any whole number above; give another")


COMMANDS = {
    "run": _run,
    "demo": _demo,
    "replay": _replay,
    "plan": _plan,
    "tones": _tones,
    "response": _response,
    "report": _report,
    "copy": _copy,
}
ELSEWHERE = {
    "plan": "flattop.plan_files",
    "tones": "flattop.tones",
    "response": "flattop.response_files",
    "report": "flattop.record.report",
}
"""Modules that describe their own arguments."""


if __name__ == "__main__":
    sys.exit(main())
