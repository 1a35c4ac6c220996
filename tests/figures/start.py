"""How long a start takes: from the start of the process to the first reading and the first frame, and where it goes.

`flattop run --board simulated` is started again and again, as the service manager starts the service; the parent is the
manager and takes the time at which READY=1 comes in, which the firmware sends with its first reading. Every other start
is one with marks: the same program, in which the functions on the way tell when they are entered and left. A start with
a calibration file is what a real meter does; without one the simulated meter is calibrated first, which no real one is.
"""

from __future__ import annotations

import argparse
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

# The child that marks must not pay for what only the parent needs.
MARKING = os.environ.get("FLATTOP_START_MARKS", "")
FRAME = "the panel's wake-up, first frame with a reading on it"
READY_S = 60.0
TARGET_S = 5.0
"""From the start of the service to the first reading; a tuner's patience with a switch, and no more (no source)."""


# -- the child --------------------------------------------------------------------------------------------------------


def mark(what: str) -> None:
    """Tell the parent that something is done, and when."""
    os.write(int(MARKING), f"{json.dumps([what, time.monotonic()])}\n".encode())


def around(owner: Any, name: str, what: str) -> None:
    """Have a function tell when it is entered and left."""
    inner = getattr(owner, name)

    def outer(*given: Any, **more: Any) -> Any:
        mark(f"to {what}")
        found = inner(*given, **more)
        mark(what)
        return found

    setattr(owner, name, outer)


def marked_start(arguments: list[str]) -> int:
    """Be `flattop` with marks on the way; what it imports is imported in the order in which it does."""
    mark("Python")
    from flattop import __main__ as program

    mark("import: command line")
    from flattop import settings  # noqa: F401

    mark("import: settings")
    import numpy  # noqa: F401

    mark("import: numpy")
    import flattop.measure.verdict

    mark("import: measuring")
    import flattop.panel.pages

    mark("import: drawing")
    from flattop import board, notify, power_on, selfcheck
    from flattop.converters import reader
    from flattop.panel.hardware import display

    mark("import: all that a real meter needs")
    from flattop.simulated import calibration, live

    mark("import: the simulated board")
    del flattop, board
    around(calibration, "calibrate", "calibration of the simulated meter")
    around(live.LiveBoard, "__init__", "opening board, panel, pins (gpiozero, the display's library)")
    around(power_on, "open_logbook", "opening the logbook")
    around(selfcheck, "check", "self-check")
    told: set[str] = set()

    def once(what: str) -> None:
        if what not in told:
            told.add(what)
            mark(what)

    collect, show, ready = reader.Reader.collect, display.PanelDisplay.show, notify.Notifier.ready

    def collecting(self: Any, until_s: float) -> bool:
        found = collect(self, until_s)
        once("chip set up (the converter's library), first slice of samples")
        return found

    def showing(self: Any, image: Any) -> bool:
        once("the panel's reset, by the first picture")
        found = show(self, image)
        if found:
            once(FRAME)
        return found

    def being_ready(self: Any) -> None:
        once("samples for the first reading, measured")
        ready(self)

    reader.Reader.collect, display.PanelDisplay.show = collecting, showing  # type: ignore[method-assign]
    notify.Notifier.ready = being_ready  # type: ignore[method-assign]
    return program.main(arguments)


# -- the parent -------------------------------------------------------------------------------------------------------


def start(arguments: list[str], folder: Path, *, marks: bool) -> tuple[float, list[tuple[str, float]]]:
    """Start the firmware once; return when it was ready, and the marks in order [s since the start of the process]."""
    path = folder / "notify"
    path.unlink(missing_ok=True)
    into, out = os.pipe()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        manager.settimeout(READY_S)
        command = [sys.executable, str(Path(__file__).resolve())] if marks else [sys.executable, "-m", "flattop"]
        surroundings = os.environ | {"NOTIFY_SOCKET": str(path)}
        if marks:
            surroundings["FLATTOP_START_MARKS"] = str(out)
        begun_s = time.monotonic()
        child = subprocess.Popen(
            [*command, *arguments],
            env=surroundings,
            pass_fds=[out],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(out)
        try:
            while manager.recv(4096) != b"READY=1":
                pass
            ready_s = time.monotonic() - begun_s
        finally:
            if marks:
                time.sleep(1.0)  # for the frame
            child.terminate()
            child.wait(30.0)
    with os.fdopen(into) as lines:
        found = [json.loads(each) for each in lines]
    return ready_s, [(what, at_s - begun_s) for what, at_s in found]


def write_calibration(folder: Path) -> Path:
    """Write settings that name a calibration of the simulated meter; return their path."""
    from flattop.calibration import save
    from flattop.samples import Input
    from flattop.simulated.calibration import calibrate

    save(folder / "calibration.toml", calibrate(seed=1, inputs=list(Input)))
    settings = folder / "settings.toml"
    settings.write_text(f'[files]\ncalibration = "{folder / "calibration.toml"}"\n')
    return settings


def figures(starts: int, seed: int) -> int:
    import numpy as np
    import rig
    from rig import Row

    def spread(values: list[float]) -> str:
        return f"median {np.median(values):.2f} s, worst {max(values):.2f} s"

    rows = []
    with tempfile.TemporaryDirectory(prefix="flattop-start-") as name:
        folder = Path(name)
        settings = write_calibration(folder)
        run = ["run", "--board", "simulated", "--seed", "1", "--sessions", str(folder / "sessions")]
        cases = (
            ("with a calibration file", ["--settings", str(settings), *run], True),
            ("calibrated first", run, False),
        )
        for case, arguments, is_real in cases:
            start(arguments, folder, marks=False)  # byte-compiles, fills the system's cache of files
            plain, marked, frames = [], [], []
            steps: dict[str, list[float]] = defaultdict(list)
            for number in range(2 * starts):
                ready_s, marks = start(arguments, folder, marks=bool(number % 2))
                (marked if number % 2 else plain).append(ready_s)
                last_s = 0.0
                for what, at_s in marks:
                    steps[what].append(at_s - last_s)
                    last_s = at_s
                frames += [at_s for what, at_s in marks if what == FRAME]
            worst = max(plain)
            rows += [
                Row(
                    f"start to first reading, {case}",
                    spread(plain),
                    f"worst <= {TARGET_S:g} s" if is_real else "",
                    starts,
                    worst <= TARGET_S if is_real else None,
                ),
                Row("  with marks", spread(marked), "", starts, None),
                Row("  start to first frame on the panel", spread(frames), "", len(frames), None),
            ]
            if is_real:
                rows += [
                    Row(f"    {what}", f"{1e3 * np.median(took):.0f} ms", "", len(took), None)
                    for what, took in steps.items()
                ]
            else:
                took = steps["calibration of the simulated meter"]
                rows.append(Row("  of it the calibration", f"{np.median(took):.2f} s", "", len(took), None))
    return rig.table(rows, seed=seed)


def main() -> int:
    if MARKING:
        return marked_start(sys.argv[1:])
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=10, help="starts of each kind (default 10)")
    given = parser.parse_args()
    print(f"load of this machine before: {os.getloadavg()[0]:.2f} on {os.cpu_count()} cores")
    return figures(given.starts, 1)


if __name__ == "__main__":
    sys.exit(main())
