"""Views made by hand; run as a script, it draws them as the reference frames of the screen in tests/frames/."""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from flattop.measure.reading import Reading, Reason, Tops, Verdict
from flattop.panel import pages
from flattop.panel.menu import Entry, Held, Kind, Light, Page, Place, Row, SetUp
from flattop.panel.pages import About
from flattop.panel.run_page import Line, RunState
from flattop.panel.screen import Kept, View, draw
from flattop.samples import Clock, Facts, Input, Quality
from flattop.selfcheck import Fault, Rank
from flattop.tuning.steps import State

FOLDER = Path(__file__).parent / "frames"
PAGES = FOLDER / "pages"
NAN = float("nan")
FACTS = Facts("simulated", Input.SPEAKER, 0.06, 200.0, 0.05, (15.0, 400.0), 1600.0)


def folded(top_v: float, *, pos_db: float = 0.0, neg_db: float = 0.0, points: int = 91) -> Tops:
    """Closed form: a sine that would peak at `top_v`, each half clipped by so many dB."""
    angle = np.linspace(-90.0, 90.0, points)
    sine = top_v * np.cos(np.radians(angle))
    pos, neg = (np.minimum(sine, top_v * 10 ** (-db / 20)) for db in (pos_db, neg_db))
    return Tops(angle, pos, neg, sine, sine.copy())


def bent(top_v: float, share: float) -> Tops:
    """A soft knee: the upper part of a sine, above 1 - 2 `share`, runs into a limit."""
    angle = np.linspace(-90.0, 90.0, 91)
    sine = np.cos(np.radians(angle))
    knee = 1 - 2 * share
    over = np.maximum(sine - knee, 0.0)
    soft = top_v * np.where(sine > knee, knee + share * np.tanh(over / share), sine)
    return Tops(angle, soft, soft.copy(), top_v * sine, top_v * sine)


def reading(
    volts: float = 58.6,
    verdict: Verdict = Verdict.CLEAN,
    reason: Reason = Reason.NONE,
    *,
    hz: float = 40.0,
    pos_db: float = 0.0,
    neg_db: float = 0.0,
    tops: Tops | None = None,
    u_v: float | None = None,
    dc_v: float = 0.01,
    dc_alarm: bool = False,
    thd_pct: float = 0.2,
) -> Reading:
    """A reading by hand: 0.5 % or 20 mV uncertain, with the figures a sine of this level has."""
    peak = volts * math.sqrt(2)
    if tops is None and verdict in {Verdict.CLEAN, Verdict.SOFT, Verdict.FLAT}:
        tops = folded(peak, pos_db=pos_db, neg_db=neg_db)
    return Reading(
        time_s=100.0, duration_s=0.5, rms_v=volts, rms_u_v=max(0.005 * volts, 0.02) if u_v is None else u_v,
        dc_v=dc_v, dc_u_v=0.02, hz=hz, hz_u=0.004, peak_pos_v=peak, peak_neg_v=-peak, crest=math.sqrt(2),
        fundamental_v=volts, thd_pct=thd_pct, harmonics=9, thd_to_hz=9 * hz, thd_n_pct=thd_pct,
        overdrive_pos_db=pos_db, overdrive_neg_db=neg_db, overdrive_u_db=0.05, flat_share_pct=0.0,
        drift_pct_s=0.0, verdict=verdict, reason=reason, dc_alarm=dc_alarm, facts=FACTS,
        quality=Quality(3300.0, Clock.LOCKED), tops=tops,
    )  # fmt: skip


def unknown(reason: Reason, volts: float = NAN, hz: float = NAN) -> Reading:
    """A reading without a verdict, with the figures that such a block still carries."""
    return reading(volts, Verdict.UNKNOWN, reason, hz=hz)


BASE = View(label="Bass A", aim_v=62.4, ceiling_v=66.0, simulated=True)


def views() -> dict[str, View]:
    """Every state the screen knows, by the name of its reference frame."""
    flat, soft = Verdict.FLAT, Verdict.SOFT
    missing = Reason.TOP_MISSING
    shown = {
        "start": View(label="speaker", simulated=True),
        "stale": replace(BASE, reading=reading(), stale=True),
        "clean": replace(BASE, reading=reading(), advice="gain up"),
        "clean-line": View(
            reading(3.78, u_v=0.01, hz=1000.0), label="Bass A line in", kept=Kept(3.9, 0.01, Verdict.CLEAN)
        ),
        "clean-top": replace(
            BASE, reading=reading(180.0, u_v=0.4), label="Bass B", ceiling_v=183.0, aim_v=178.0, advice="hold"
        ),
        "clean-uncalibrated": View(reading(58.6, u_v=0.92), label="Speaker uncal.", ceiling_v=66.0),
        "clean-kept": replace(BASE, reading=reading(62.3), kept=Kept(62.3, 0.31, Verdict.CLEAN), advice="next lead"),
        "clean-keeping": replace(
            BASE, reading=reading(62.3), kept=Kept(58.6, 0.31, Verdict.CLEAN), keeping=Kept(62.3, 0.31, Verdict.CLEAN)
        ),
        "soft": replace(
            BASE, reading=reading(66.9, soft, missing, pos_db=0.16, neg_db=0.15), advice="gain down", simulated=False
        ),
        "soft-at-limit": replace(
            BASE, reading=reading(66.9, soft, missing, pos_db=0.16, neg_db=0.15), label="Speaker", advice="at limit"
        ),
        "soft-knee": replace(BASE, reading=reading(66.9, soft, Reason.TOPS_BEND, tops=bent(94.6, 0.08))),
        "soft-hum": replace(BASE, reading=reading(66.9, soft, Reason.THIRD_ONLY, tops=bent(94.6, 0.04))),
        "flat": replace(BASE, reading=reading(70.3, flat, missing, pos_db=1.0, neg_db=1.0), advice="gain down"),
        "flat-one-side": replace(BASE, reading=reading(68.1, flat, missing, pos_db=0.8), advice="gain down"),
        "flat-hard": replace(BASE, reading=reading(91.0, flat, missing, pos_db=6.0, neg_db=5.0), advice="volume down"),
        "flat-square": replace(BASE, reading=reading(124.7, flat, missing, pos_db=20, neg_db=20), advice="gain down"),
        "distorted": replace(
            BASE, reading=reading(41.2, Verdict.DISTORTED, Reason.NO_TOP_MISSING, thd_pct=12.12), advice="hold"
        ),
        "direct": replace(BASE, reading=reading(0.0, Verdict.CLEAN, dc_v=-31.4, dc_alarm=True), advice="unclip"),
        "run-up": replace(BASE, reading=reading(2.31, u_v=0.01), label="Source L", word="up", aim_v=None,
            ceiling_v=2.31,
        ),
        "run-hold": replace(BASE, reading=reading(3.78, u_v=0.01), label="Roof cable L", word="hold", aim_v=None,
            progress="9 of 31", ceiling_v=None),
        "run-down": replace(
            BASE, reading=reading(3.42, flat, missing, u_v=0.01, pos_db=0.6, neg_db=0.6), label="Source L", word="down"
        ),
        "run-task": replace(
            BASE, reading=unknown(Reason.NO_TONE, 0.0), label="Before", task="gain down, amp muted", progress="4 of 31",
            aim_v=None, ceiling_v=None,
        ),
        "run-supply": replace(
            BASE, reading=reading(0.0, Verdict.CLEAN, dc_v=13.2, dc_alarm=True), label="Supply", advice="clip on",
            supply=True, aim_v=None, ceiling_v=None,
        ),
        "card": replace(BASE, reading=reading(), faults=("card not writing",), advice="gain up"),
        "faults-no-tone": replace(
            BASE, reading=unknown(Reason.NO_TONE, 0.0), faults=("card not writing", "clock not set")
        ),
    }  # fmt: skip
    volts = {
        Reason.NONE: (58.6, 40.0), Reason.TOO_FEW_LSB: (0.4, 40.0), Reason.NO_TONE: (0.02, NAN),
        Reason.NOT_ONE_TONE: (34.1, NAN), Reason.FADING: (12.2, 40.0), Reason.MOVING: (44.0, 40.0),
        Reason.OUT_OF_BAND: (NAN, 5000.0), Reason.LEAD_OFF: (0.01, NAN),
    }  # fmt: skip
    for reason in Reason:
        if reason in {missing, Reason.TOPS_BEND, Reason.THIRD_ONLY, Reason.NO_TOP_MISSING}:
            continue
        name = "unknown" + ("-" + reason.name.lower().replace("_", "-") if reason else "")
        shown[name] = replace(BASE, reading=unknown(reason, *volts.get(reason, (NAN, NAN))))
    return shown


ABOUT = About(
    serial="FT-0007",
    versions=(("flattop", "0.3.0"), ("python", "3.11.9"), ("kernel", "6.6.31+rpt-rpi-v8 (a long name)")),
    calibrated_on=date(2026, 5, 4),
    calibrated_days=205,
    uptime_s=7980.0,
    card="writing, 3.1 GB free",
    clock_known=True,
)
FAULTS = (
    Fault(
        Rank.BLIND, "no converter", "nothing answers at address 0x48 on bus 1",
        "switch off, push the ribbon cable home at both ends, then switch on again",
    ),
    Fault(Rank.POWER, "battery low", "the battery's warning line is active; allowed is inactive", "charge the battery"),
    Fault(
        Rank.PANEL, "screen light", "the wire for brightness does not move",
        "full brightness only: check the wire to GPIO 18",
    ),
    Fault(
        Rank.RECORD, "card full", "3 MB are free at /card; allowed is 64 MB or more",
        "copy old sessions to a stick, then delete them",
    ),
)  # fmt: skip
TWO_PROGRAMS = Fault(
    Rank.RECORD,
    "two programs write to one card",
    "process 1234 has locked /card/sessions; allowed is this program alone",
    "stop the other one, which was started by hand, or give each of them a folder of its own in the settings file",
)


PLANS = (
    "Our own van",
    "Four-channel amplifier",
    "One bass amplifier",
    "Two matched bass amplifiers",
    "Street-theatre van",
)
MANY_PLANS = (
    "big lorry with the long trailer, summer stage", "big lorry with the long trailer, winter stage", *PLANS,
)  # fmt: skip
RUN = RunState(
    plan="Street-theatre van", before=Line("Voices street R", "found", State.DONE),
    now=Line("Voices street L", "set", State.OPEN), after=Line("Voices street R", "set", State.OPEN),
    number=24, total=41, done=22, passes=9, cannot_tell=1, record="0007-20261125T142500",
)  # fmt: skip
FAILED = "match 1.23 V, limit 0.1: Bass A, Bass B"


def page_frames() -> dict[str, dict[str, Any]]:
    """Arguments of `pages.draw` for every page in every state worth a look, by the name of the reference frame."""
    bass = replace(BASE, reading=reading(), simulated=False)
    bare: dict[str, Any] = {
        "place": Place(Page.HELD), "view": bass, "set_up": SetUp(), "held": Held(), "about": ABOUT,
        "now_s": 100.0, "wall_s": 1795616700.0,
    }  # fmt: skip

    def at(seconds: float, *args: Any, **kwargs: Any) -> Reading:
        return replace(reading(*args, **kwargs), time_s=seconds)

    flat = at(88.2, 70.3, Verdict.FLAT, Reason.TOP_MISSING, pos_db=1.0, neg_db=1.0)
    soft = at(-3500.0, 180.0, Verdict.SOFT, Reason.TOPS_BEND, u_v=0.4, hz=1000.0)
    held = Held(highest=flat, lowest=at(-95.0, 8.64, u_v=0.05), kept=at(-12.0, 62.3))
    runs = {
        "under-way": RUN,
        "failed": replace(RUN, fails=1, finding="link loss 0.83 dB, limit 0.5: Level control R", before=Line(
            "Voices street R", "found", State.COULD_NOT)),
        "first": replace(RUN, number=1, done=0, passes=0, cannot_tell=0, before=None,
            now=Line("tone controls flat", "check", State.OPEN), after=Line("effects off", "check", State.OPEN)),
        "last": replace(RUN, number=41, before=Line("Bass B", "reconnect", State.SKIPPED),
            now=Line("Voices", "reconnect", State.OPEN), after=None, finding=FAILED),
        "again": replace(RUN, number=23, before=Line("Voices street L", "1.2 kHz", State.SKIPPED),
            now=Line("Voices street R", "1.2 kHz", State.OPEN), after=Line("Bass A", "as left", State.DONE)),
        "long": replace(RUN, number=104, total=120, finding="not adjustable here 1.23 V, limit 0.6: Amplifier at the "
            "far end Left tops, Amplifier at the far end Right tops", now=Line("Amplifier at the far end Left tops",
            "as left", State.OPEN), before=Line("Amplifier far Left tops", "as left", State.COULD_NOT)),
        "over": replace(RUN, before=None, now=None, after=None, over=True, done=38, passes=17, fails=2),
        "over-nothing": replace(RUN, now=None, after=None, over=True, done=0, passes=0, cannot_tell=0, record=""),
    }  # fmt: skip
    shown = {
        "run-choose": {"place": Place(Page.RUN), "plans": PLANS, "plan": PLANS[0]},
        "run-choose-third": {
            "place": Place(Page.RUN), "plans": PLANS[:3], "plan": PLANS[2], "view": replace(BASE, reading=reading()),
        },
        "run-choose-many": {"place": Place(Page.RUN), "plans": MANY_PLANS, "plan": MANY_PLANS[1]},
        "run-choose-none": {"place": Place(Page.RUN), "view": replace(BASE, reading=unknown(Reason.NO_TONE, 0.0))},
        "held": {"held": held},
        "held-nothing": {"view": replace(BASE, reading=unknown(Reason.NO_TONE, 0.0))},
        "held-keeping": {"held": replace(held, keeping=at(99.8, 58.6)), "view": replace(BASE, reading=reading())},
        "held-wide": {"held": Held(highest=soft, lowest=at(-40000.0, 120.4, hz=1000.0), kept=replace(
            soft, verdict=Verdict.DISTORTED, reason=Reason.NO_TOP_MISSING))},
        "held-line": {
            "view": View(reading(3.78, u_v=0.01, hz=1000.0)),
            "held": Held(at(91.0, 3.9, u_v=0.01, hz=1000.0), at(80.0, 0.352, u_v=0.002, hz=1000.0)),
        },
        "held-unknown": {"held": replace(held, kept=replace(unknown(Reason.NOT_ONE_TONE, 34.1), time_s=60.0))},
        "held-direct": {
            "view": replace(BASE, reading=reading(0.0, Verdict.CLEAN, dc_v=-31.4, dc_alarm=True)),
            "held": replace(held, kept=at(40.0, 0.0, dc_v=-31.4, dc_alarm=True)),
        },
        "held-stale": {"held": held, "view": replace(BASE, reading=reading(), stale=True)},
        "held-start": {"view": View()},
        "about": {"place": Place(Page.ABOUT)},
        "about-2": {"place": Place(Page.ABOUT, sheet=1)},
        "about-3": {"place": Place(Page.ABOUT, sheet=2)},
        "about-simulated": {
            "place": Place(Page.ABOUT), "view": replace(BASE, reading=reading()),
            "about": About(simulated=True, card="no card"),
        },
        "about-clock-not-set": {
            "place": Place(Page.ABOUT), "about": replace(ABOUT, clock_known=False, calibrated_days=None),
        },
        "about-long-fault": {
            "place": Place(Page.ABOUT, sheet=1),
            "about": replace(ABOUT, faults=(TWO_PROGRAMS,)),
        },
        "clock": {"place": Place(Page.CLOCK, Row.CLOCK, entry=Entry(14, 5, 2026, 11, 25))},
        "clock-minute": {"place": Place(Page.CLOCK, Row.CLOCK, entry=Entry(14, 5, 2026, 11, 25, at=3))},
        "clock-day": {"place": Place(Page.CLOCK, Row.CLOCK, entry=Entry(14, 5, 2026, 11, 25, at=9))},
        "clock-set": {
            "place": Place(Page.CLOCK, Row.CLOCK, entry=Entry(14, 5, 2026, 11, 25, at=10)),
            "view": replace(BASE, reading=unknown(Reason.OUT_OF_BAND, hz=5000.0)),
        },
        "shut-down": {"place": Place(Page.ASK)},
        "shut-down-simulated": {"place": Place(Page.ASK), "view": replace(BASE, reading=reading(12.0))},
        "shutting-down": {"place": Place(Page.LEAVE)},
    }  # fmt: skip
    for number in range(6):
        shown[f"about-fault-{number + 1}"] = {
            "place": Place(Page.ABOUT, sheet=number), "about": replace(ABOUT, faults=FAULTS),
            "view": bass if number else replace(BASE, reading=unknown(Reason.SILENT)),
        }  # fmt: skip
    for name, run in runs.items():
        shown[f"run-{name}"] = {"place": Place(Page.RUN), "run": run}
    shown["run-first"]["view"] = replace(BASE, reading=unknown(Reason.NO_TONE, 0.0))
    shown["run-last"]["view"] = View(reading(3.78, u_v=0.01, hz=1000.0))
    shown["run-failed"]["view"] = replace(BASE, reading=reading())
    choices = (
        SetUp(),
        SetUp(Input.LINE, Kind.MID_HIGH),
        SetUp(light=Light.SUN),
        SetUp(light=Light.NIGHT, muted=True),
        SetUp(),
    )
    quiet = (bass, View(reading(3.78, u_v=0.01, hz=1000.0)), bass, replace(BASE, reading=reading(12.0)), bass)
    for row, set_up, view in zip(Row, choices, quiet, strict=True):
        shown[f"set-up-{row}"] = {"place": Place(Page.SET_UP, row), "set_up": set_up, "view": view}
    shown["set-up-clock-not-set"] = {
        "place": Place(Page.SET_UP, Row.CLOCK), "about": replace(ABOUT, clock_known=False), "view": View(),
    }  # fmt: skip
    return {name: {**bare, **given} for name, given in shown.items()}


def ramp(seconds: float = 10.0) -> list[View]:
    """Ten readings a second while a level rises by 12 dB, past the first softening, with noise on every figure."""
    rng = np.random.default_rng(7)
    shown = []
    for step in range(int(10 * seconds)):
        volts = 20.0 * 10 ** (0.6 * step / (10 * seconds))
        over_db = max(0.0, 20 * math.log10(volts / 66.0))
        verdict = Verdict.CLEAN if over_db < 0.08 else Verdict.SOFT if over_db < 0.25 else Verdict.FLAT
        reason = Reason.NONE if verdict is Verdict.CLEAN else Reason.TOP_MISSING
        tops = folded(volts * math.sqrt(2), pos_db=over_db, neg_db=over_db)
        tops = replace(tops, pos_v=tops.pos_v + rng.normal(0, 0.05, 91), neg_v=tops.neg_v + rng.normal(0, 0.05, 91))
        level = replace(
            reading(volts * (1 + rng.normal(0, 5e-4)), verdict, reason, tops=tops, pos_db=over_db, neg_db=over_db),
            hz=40 + rng.normal(0, 0.004),
        )
        advice = "gain up" if volts < 62 else "hold" if verdict is Verdict.CLEAN else "gain down"
        shown.append(replace(BASE, reading=level, advice=advice))
    return shown


def sheet(frames: dict[str, Image.Image], columns: int = 4) -> Image.Image:
    """All frames on one grey sheet."""
    rows = -(-len(frames) // columns)
    image = Image.new("RGB", (columns * 330 + 10, rows * 250 + 10), (90, 90, 90))
    for i, frame in enumerate(frames.values()):
        image.paste(frame, (10 + i % columns * 330, 10 + i // columns * 250))
    return image


def main() -> None:
    """Write the frames, and the sheet if a path for it is given."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheet", type=Path, help="write all frames on one sheet to this PNG as well")
    parser.add_argument("--sheet-only", action="store_true", help="leave the reference frames as they are")
    wanted = parser.parse_args()
    folders = {
        FOLDER: {name: draw(view) for name, view in views().items()},
        PAGES: {name: pages.draw(**given) for name, given in page_frames().items()},
    }
    if not wanted.sheet_only:
        for folder, frames in folders.items():
            folder.mkdir(exist_ok=True)
            for old in folder.glob("*.png"):
                if old.stem not in frames:
                    old.unlink()
            for name, frame in frames.items():
                frame.save(folder / f"{name}.png", optimize=True)
            print(f"{len(frames)} frames in {folder}")
    if wanted.sheet:
        sheet(folders[FOLDER] | folders[PAGES]).save(wanted.sheet)


if __name__ == "__main__":
    main()
