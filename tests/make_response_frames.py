"""States of the pages of response, noise and gain; run as a script, it draws their reference frames."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from flattop.measure import noise
from flattop.measure.alignment import NAMED, Alignment, Shape, Side, Told, fit_alignment, level_db
from flattop.measure.between import Between, Doubt, Polarity
from flattop.measure.noise import Noise, Part
from flattop.measure.reading import Reason
from flattop.measure.response import Response, Stage
from flattop.panel import gain_page, noise_page, response_page
from flattop.panel.screen import View
from make_frames import BASE, FOLDER, NAN, reading, sheet, unknown

ANSWERS = FOLDER / "answers"
B12, B24, L12, L24 = NAMED
NOTHING = np.empty(0)


def response(
    high: tuple[float, Shape] | None = None,
    low: tuple[float, Shape] | None = None,
    *,
    from_hz: float = 10.0,
    to_hz: float = 300.0,
    stage: Stage = Stage.RESULT,
    now_hz: float = NAN,
    noise_db: float = 0.05,
    ripple_db: float = 0.0,
    too_fast: bool = False,
    passes: int = 1,
) -> Response:
    """What the meter makes of a noisy curve of known filters."""
    hz = from_hz * 2 ** np.arange(0, np.log2(to_hz / from_hz) + 1e-9, 1 / 12)
    db = noise_db * np.random.default_rng(1).standard_normal(len(hz)) + ripple_db * np.sin(9 * np.log(hz))
    for side, end in ((Side.HIGH_PASS, high), (Side.LOW_PASS, low)):
        if end is not None:
            db = db + level_db(hz=hz, corner_hz=end[0], shape=end[1], side=side)
    fit = fit_alignment(hz=hz, db=db, sigma_db=np.full(len(hz), noise_db))
    if stage is Stage.RESULT and fit.told not in {Told.NAMED, Told.OTHER_SLOPE}:
        stage = Stage.CANNOT_TELL
    zero_db = fit.passband_db if np.isfinite(fit.passband_db) else float(db.max())
    now_db = float(np.interp(now_hz, hz, db)) - zero_db if np.isfinite(now_hz) else NAN
    return Response(
        stage, now_hz, now_db, hz, db - zero_db, np.full(len(hz), noise_db), fit, too_fast=too_fast, passes=passes
    )


def response_states() -> dict[str, tuple[View, Response]]:
    """Every state of the page, by the name of its reference frame."""
    bass = replace(BASE, reading=reading(58.6))
    low = response(None, (80.2, B24))
    return {
        "cut-waiting": (
            replace(BASE, reading=unknown(Reason.NO_TONE, 0.0)),
            Response(Stage.WAITING, NAN, NAN, NOTHING, NOTHING, NOTHING),
        ),
        "cut-start": (View(), Response(Stage.WAITING, NAN, NAN, NOTHING, NOTHING, NOTHING)),
        "cut-following": (bass, response(None, (80.0, L24), to_hz=60.0, stage=Stage.FOLLOWING, now_hz=58.0)),
        "cut-following-corner": (bass, response((20.0, B24), to_hz=60.0, stage=Stage.FOLLOWING, now_hz=58.0)),
        "cut-low-pass": (bass, response(None, (80.2, L24))),
        "cut-high-pass": (bass, response((20.3, B24))),
        "cut-band": (bass, response((20.3, B24), (80.2, L24))),
        "cut-band-same": (bass, response((20.3, B12), (80.2, B12))),
        "cut-band-narrow": (bass, response((31.5, B24), (63.0, L12))),
        "cut-again": (bass, response(None, (80.2, L24), stage=Stage.AGAIN, now_hz=34.0, passes=2)),
        "cut-alike": (bass, response(None, (150.0, L24), to_hz=200.0, noise_db=1.0)),
        "cut-other-slope": (bass, response(None, (80.0, Shape(Alignment.BUTTERWORTH, 18.0)))),
        "cut-strange": (bass, response(None, (80.0, B24), ripple_db=1.5)),
        "cut-no-corner": (bass, response()),
        "cut-too-fast": (bass, response(None, (80.2, B24), too_fast=True)),
        "cut-fault": (replace(bass, faults=("card not writing",)), low),
        "cut-mid": (
            View(reading(3.78, u_v=0.01, hz=1000.0), label="Voices street L"),
            response((3500.0, L24), from_hz=100.0, to_hz=20_000.0),
        ),
        "cut-wide": (
            replace(bass, reading=reading(180.0, u_v=0.4)),
            response((105.0, B24), (283.0, B24), to_hz=2000.0),
        ),
        "cut-stale": (replace(bass, stale=True), response(None, (125.3, B24))),
        "cut-direct": (replace(BASE, reading=reading(0.0, dc_v=-31.4, dc_alarm=True)), low),
        "cut-silent": (replace(BASE, reading=unknown(Reason.SILENT)), low),
    }


def below(volts: float) -> Part:
    """A bound."""
    return Part(volts, NAN, below=True)


UNSEEN = below(0.0012)
HISS = Part(0.0063, 0.0006)


def heard(
    *,
    hum: Part = UNSEEN,
    whine: Part = UNSEEN,
    line: Part = UNSEEN,
    rest: Part = HISS,
    tone_v: float = 62.3,
    stage: noise.Stage = noise.Stage.HEARD,
    to_hz: float = 1290.0,
) -> Noise:
    """A moment by hand: the total is the root of the sum of what is seen."""
    seen = [part.volts for part in (hum, whine, line, rest) if not part.below]
    total_v = float(np.linalg.norm(seen))
    total = Part(total_v, 0.03 * total_v) if seen else below(0.0085)
    return Noise(stage, 10.0, (10.0, to_hz), total, hum, whine, line, rest, tone_v)


def noise_states() -> dict[str, tuple[View, Noise | None]]:
    """Every state of the page, by the name of its reference frame."""
    lead = replace(BASE, reading=unknown(Reason.NO_TONE, 0.13))
    full = View(unknown(Reason.NO_TONE, 0.001), label="Voices street L")
    hum, whine = Part(0.1158, 0.0023, hz=50.0, lines=3), Part(0.0577, 0.002, hz=842.0, lines=3)
    return {
        "quiet-listening": (lead, None),
        "quiet-hum": (lead, heard(hum=hum)),
        "quiet-whine": (lead, heard(hum=replace(hum, volts=0.0158, hz=60.0), whine=whine)),
        "quiet-line": (lead, heard(line=Part(0.030, 0.0006, hz=333.0, lines=1))),
        "quiet-hiss": (lead, heard()),
        "quiet-none": (lead, heard(rest=below(0.0085))),
        "quiet-nothing-kept": (
            replace(lead, simulated=False), heard(hum=Part(1.58, 0.023, hz=60.0, lines=3), tone_v=NAN),
        ),
        "quiet-tone": (
            replace(BASE, reading=reading(58.6)),
            heard(line=Part(58.6, 0.6, hz=40.0, lines=1), stage=noise.Stage.TONE),
        ),
        "quiet-full-band": (full, heard(
            hum=Part(0.00058, 0.00003, hz=50.0, lines=8), whine=below(0.00004), line=below(0.00004),
            rest=Part(0.00031, 0.00002), tone_v=3.9, to_hz=20e3,
        )),
        "quiet-loud": (lead, heard(whine=Part(12.6, 0.3, hz=1204.0, lines=4), hum=hum)),
        "quiet-fault": (replace(lead, faults=("card not writing",)), heard(hum=hum)),
        "quiet-direct": (replace(BASE, reading=reading(0.0, dc_v=-31.4, dc_alarm=True)), heard()),
    }  # fmt: skip


def gain_states() -> dict[str, tuple[View, Between | None]]:
    """Every state of the page, by the name of its reference frame."""
    view = replace(BASE, reading=reading(58.6))

    def found(gain_db: float, u_db: float, polarity: Polarity, phase_deg: float, doubt: Doubt = Doubt.NONE) -> Between:
        return Between(40.0, gain_db, u_db, phase_deg, 0.4, polarity, doubt)

    return {
        "gain-same": (view, found(29.87, 0.04, Polarity.SAME, 3.0)),
        "gain-opposite": (view, found(29.87, 0.6, Polarity.OPPOSITE, -177.0)),
        "gain-turned": (view, found(-12.1, 0.02, Polarity.UNKNOWN, -88.0, Doubt.TURNED)),
        "gain-none": (view, found(NAN, NAN, Polarity.UNKNOWN, NAN, Doubt.NO_TONE)),
        "gain-fault": (replace(view, faults=("no full band",)), None),
        "gain-direct": (replace(BASE, reading=reading(0.0, dc_v=-31.4, dc_alarm=True)), None),
    }


def frames() -> dict[str, Image.Image]:
    """All of them, drawn."""
    drawn = {name: response_page.draw(*state) for name, state in response_states().items()}
    drawn |= {name: noise_page.draw(*state) for name, state in noise_states().items()}
    return drawn | {name: gain_page.draw(*state) for name, state in gain_states().items()}


def main() -> None:
    """Write the frames, and the sheet if a path for it is given."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheet", type=Path, help="write all frames on one sheet to this PNG as well")
    parser.add_argument("--sheet-only", action="store_true", help="leave the reference frames as they are")
    wanted = parser.parse_args()
    drawn = frames()
    if not wanted.sheet_only:
        ANSWERS.mkdir(exist_ok=True)
        for old in ANSWERS.glob("*.png"):
            if old.stem not in drawn:
                old.unlink()
        for name, frame in drawn.items():
            frame.save(ANSWERS / f"{name}.png", optimize=True)
        print(f"{len(drawn)} frames in {ANSWERS}")
    if wanted.sheet:
        sheet(drawn, 5).save(wanted.sheet)


if __name__ == "__main__":
    main()
