"""The command line: arguments -> settings -> converter -> meter, and what it says on a terminal."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

# The meter has small matrices and one core to spare: threads inside the linear algebra only cost time.
# This must be set before numpy is loaded, so everything that loads it is imported further down, where it is used.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from flattop import __version__
from flattop.errors import FlattopError, SettingsError

if TYPE_CHECKING:
    from flattop.measure.reading import Reading
    from flattop.settings import Settings

REPLAY_HARMONICS = 40
WARM_UP_S = 1.0
"""The simulated meter is switched on this long before a recording starts [s]."""
EVERY_S = (0.05, 3600.0)
CAUTION = (
    "Above 30 V rms treat every conductor as live. Gain down and amplifier muted before clipping on; "
    "speakers off before full-level tones. See the cautions in README.md."
)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="flattop", description="Volts, frequency and flat tops at amplifier terminals.", epilog=CAUTION
    )
    parser.add_argument("--version", action="version", version=f"flattop {__version__}")
    parser.add_argument("--settings", type=Path, metavar="FILE", help="settings file (TOML); defaults without one")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    demo = commands.add_parser(
        "demo", help="run the meter on the simulated board: a van plays 40 Hz, hands turn a gain pot until it is clean"
    )
    demo.add_argument("--seed", type=int, default=1, help="draws tolerances, noise and hands (default 1)")
    demo.add_argument("--out", type=Path, metavar="DIR", help="session folder, new or empty (default flattop-demo)")

    replay = commands.add_parser("replay", help="measure a recording: WAV, or CSV with the header time_s,volts")
    replay.add_argument("file", type=Path, metavar="FILE")
    replay.add_argument("--channel", type=int, default=1, help="channel of a WAV file, from 1 (default 1)")
    replay.add_argument(
        "--full-scale-v", type=float, metavar="V", help="volts at digital full scale of a WAV file (default 1)"
    )
    replay.add_argument("--input", choices=["speaker", "line"], help="where it was recorded (default from settings)")
    replay.add_argument("--every", type=float, default=0.25, metavar="S", help="time between updates (default 0.25 s)")
    replay.add_argument("--through", choices=["bass"], help="play it into the simulated front end and bass converter")
    replay.add_argument("--seed", type=int, default=1, help="draws the simulated meter of --through (default 1)")
    replay.add_argument("--json", action="store_true", help="print one JSON object a line for each update, no table")
    replay.add_argument("--out", type=Path, metavar="DIR", help="session folder, new or empty")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return 0, or 2 after a message on what cannot be used, or 130 when interrupted."""
    given = _parser().parse_args(arguments)
    try:
        from flattop import settings

        chosen = settings.load(given.settings)
        code = _demo(given, chosen) if given.command == "demo" else _replay(given, chosen)
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


def _demo(given: argparse.Namespace, settings: Settings) -> int:
    from flattop.converters.ads1015 import Ads1015Converter
    from flattop.converters.ads1015_chip import Alert
    from flattop.instrument import Display, Meter, limits_from
    from flattop.panel.screen import draw
    from flattop.record.session import Session, new_folder
    from flattop.samples import Input
    from flattop.simulated.board import ALERT_GPIO, SimulatedBoard
    from flattop.simulated.calibration import calibrate
    from flattop.simulated.vehicle import Van

    _check_seed(given.seed)
    folder = new_folder(given.out, default="flattop-demo")
    print("SIMULATED board, SIMULATED van: nothing here is connected to anything.", file=sys.stderr)
    progress = _Progress(Van.duration_s)
    progress.say("calibrating the simulated meter")
    calibration = calibrate(seed=given.seed, inputs=[Input.SPEAKER])
    van = Van(seed=given.seed)
    board = SimulatedBoard(seed=given.seed, speaker=van.speaker, line=van.line)
    converter = Ads1015Converter(
        board.i2c,
        board.time,
        rate=settings.ads1015.rate,
        alert=Alert(ALERT_GPIO, board.pin_factory),
        calibration=calibration,
        simulated=True,
    )
    meter = Meter(
        converter,
        time=board.time,
        limits=limits_from(settings.verdict),
        update_s=settings.meter.update_s,
        window_s=settings.meter.window_s,
    )
    session = Session(folder)
    display = Display(label="Bass A")
    table = _Table()
    try:
        for reading in meter.readings():
            view = display.view(reading)
            session.add(reading, draw(view))
            van.observe(str(reading.verdict), reading.time_s)
            table.add(reading)
            progress.show(reading)
            if reading.time_s >= Van.duration_s:
                break
    finally:
        progress.end()
        session.close()
        converter.close()
    table.print()
    _say_where(folder)
    return 0


def _replay(given: argparse.Namespace, settings: Settings) -> int:
    from flattop.instrument import Display
    from flattop.panel.screen import draw
    from flattop.record.session import Session, as_row, new_folder, rounded

    if not EVERY_S[0] <= given.every <= EVERY_S[1]:
        raise SettingsError(
            f"--every is {given.every:g} s; allowed is {EVERY_S[0]:g} to {EVERY_S[1]:g} s; give another"
        )
    _check_seed(given.seed)
    measured = _direct if given.through is None else _through
    readings, end_s, notes = measured(given, settings, given.input or settings.meter.input)
    for note in notes:
        print(f"flattop: note: {note}", file=sys.stderr)
    # The lines of --json are a record by themselves; a folder is written beside them only when asked for.
    folder = None if given.json and given.out is None else new_folder(given.out, default="flattop-replay")
    session = Session(folder) if folder is not None else None
    progress = _Progress(end_s) if not given.json else None
    display = Display()
    table = _Table()
    try:
        for reading in readings:
            if given.json:
                print(json.dumps(rounded(as_row(reading)), allow_nan=False), flush=True)
            if session is not None:
                session.add(reading, draw(display.view(reading)))
            table.add(reading)
            if progress is not None:
                progress.show(reading)
    finally:
        if progress is not None:
            progress.end()
        if session is not None:
            session.close()
    if not given.json:
        table.print()
    if folder is not None:
        _say_where(folder)
    return 0


def _direct(given: argparse.Namespace, settings: Settings, input: str) -> tuple[Iterator[Reading], float, list[str]]:
    """Return the readings of a recording measured as it is, when it ends [s], and what to say of it."""
    from flattop.converters.recording import RecordingConverter
    from flattop.instrument import Meter, limits_from
    from flattop.samples import Input

    full_scale_v, notes = _full_scale(given)
    converter = RecordingConverter(
        given.file, channel=given.channel, full_scale_v=full_scale_v, input=Input(input), keep_s=2.0
    )
    meter = Meter(
        converter,
        start_s=converter.start_s,
        limits=limits_from(settings.verdict),
        update_s=given.every,
        window_s=settings.meter.window_s,
        most_harmonics=REPLAY_HARMONICS,
    )
    return meter.readings(), converter.end_s, [*notes, *converter.notes]


def _through(given: argparse.Namespace, settings: Settings, input: str) -> tuple[Iterator[Reading], float, list[str]]:
    """Return the same for a recording played into a simulated meter, which is calibrated first."""
    from flattop.converters.ads1015 import Ads1015Converter
    from flattop.converters.ads1015_chip import Alert
    from flattop.instrument import Meter, limits_from
    from flattop.samples import Input
    from flattop.simulated.board import ALERT_GPIO, SimulatedBoard
    from flattop.simulated.calibration import calibrate
    from flattop.simulated.playback import Playback

    full_scale_v, notes = _full_scale(given)
    playback = Playback(given.file, channel=given.channel, full_scale_v=full_scale_v)
    start_s = playback.start_s - WARM_UP_S
    board = SimulatedBoard(seed=given.seed, speaker=playback, line=playback, start_s=start_s)
    converter = Ads1015Converter(
        board.i2c,
        board.time,
        input=Input(input),
        rate=settings.ads1015.rate,
        alert=Alert(ALERT_GPIO, board.pin_factory),
        calibration=calibrate(seed=given.seed, inputs=[Input(input)]),
        simulated=True,
    )
    meter = Meter(
        converter,
        time=board.time,
        limits=limits_from(settings.verdict),
        update_s=given.every,
        window_s=settings.meter.window_s,
    )

    def during() -> Iterator[Reading]:
        for reading in meter.readings():
            if reading.time_s > playback.end_s:
                return
            if reading.time_s > playback.start_s:
                yield reading

    return during(), playback.end_s, [*notes, *playback.notes]


def _full_scale(given: argparse.Namespace) -> tuple[float | None, list[str]]:
    """Return the volts at full scale: for a WAV file 1 V, said aloud, where none are given."""
    if given.full_scale_v is not None:
        return float(given.full_scale_v), []
    try:
        with given.file.open("rb") as file:
            wav = file.read(4) == b"RIFF"
    except OSError:
        wav = False
    if not wav:
        return None, []
    return 1.0, ["digital full scale is taken as 1 V; give the true volts with --full-scale-v"]


def _check_seed(seed: int) -> None:
    if seed < 0:
        raise SettingsError(f"--seed is {seed}; allowed is 0 or any whole number above; give another")


# -- what a terminal shows --------------------------------------------------------------------------------------------


class _Progress:
    """One line on standard error that says how far the run has come; nothing where that is no terminal."""

    def __init__(self, end_s: float) -> None:
        self._end_s = end_s
        self._shown = sys.stderr.isatty()

    def say(self, text: str) -> None:
        if self._shown:
            print(f"\r\x1b[K{text} ...", end="", file=sys.stderr, flush=True)

    def show(self, reading: Reading) -> None:
        if self._shown:
            done = min(max(reading.time_s / self._end_s, 0.0), 1.0)
            bar = "=" * round(30 * done)
            self.say(f"{reading.time_s:7.1f} s of {self._end_s:.1f} s  [{bar:30}]  {reading.verdict}")

    def end(self) -> None:
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


class _Table:
    """The run as a short table: one row for each time the verdict changed and stood."""

    STANDS_S = 0.3
    """A verdict that passed within this time gets no row of its own [s]."""
    MOST_ROWS = 30

    def __init__(self) -> None:
        self._spans: list[list[Reading]] = []

    def add(self, reading: Reading) -> None:
        last = self._spans[-1][0] if self._spans else None
        if last is None or (last.verdict, last.reason) != (reading.verdict, reading.reason):
            self._spans.append([reading])
        # First, loudest and last are all that a row needs.
        span = self._spans[-1]
        loudest = max([*span, reading], key=lambda r: r.rms_v if r.rms_v == r.rms_v else -1.0)
        self._spans[-1] = [span[0], loudest, reading]

    def print(self) -> None:
        from flattop.measure.reading import Verdict
        from flattop.panel.words import hz_text, volts_text

        rows = [s for s in self._spans if s[-1].time_s - s[0].time_s >= self.STANDS_S] or self._spans
        if not rows:
            print("No reading: the recording is shorter than one update.")
            return
        print("  from       to       volts   highest        Hz   top missing   verdict")
        for first, loudest, last in rows[: self.MOST_ROWS]:
            known = last.verdict is not Verdict.UNKNOWN
            highest = volts_text(loudest.rms_v, loudest.rms_u_v) + " V" if known else ""
            hz = hz_text(last.hz, last.hz_u) if known else ""
            missing = f"{loudest.overdrive_db:.2f} dB" if loudest.verdict in {Verdict.SOFT, Verdict.FLAT} else ""
            print(
                f"{first.time_s:6.1f}  {last.time_s:6.1f} s  {volts_text(last.rms_v, last.rms_u_v):>6} V"
                f"  {highest:>8}  {hz:>8}  {missing:>12}   {_in_words(last)}"
            )
        if len(rows) > self.MOST_ROWS:
            print(f"... and {len(rows) - self.MOST_ROWS} more, in the session's readings.csv")


def _in_words(reading: Reading) -> str:
    return f"{reading.verdict}: {reading.reason}" if reading.reason else str(reading.verdict)


def _say_where(folder: Path) -> None:
    print(f"\nSession: {folder} (readings.csv, frames/, screen.gif)")


if __name__ == "__main__":
    sys.exit(main())
