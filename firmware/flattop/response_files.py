"""The filter in a recorded sweep: `flattop response` on the command line, as a table, as JSON and as a picture."""

from __future__ import annotations

import argparse
import json
import math
import sys
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flattop.converters.recording import RecordingConverter
from flattop.errors import RecordingError, SettingsError, StorageError
from flattop.measure.alignment import Corner, Side, Told
from flattop.measure.response import (
    LEAST_SPAN_OCTAVE,
    LOOK_S,
    QUIET_S,
    RATE_PER_HZ,
    Follower,
    Response,
    Sweep,
)
from flattop.panel import response_page
from flattop.panel.words import hz_text
from flattop.samples import Samples

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

SHORTEST_S = 2.0
HOP_S = (0.02, 0.1)
"""Shortest and longest step from one look to the next [s]; between them, half a block."""
KEEP_S = 0.75
"""How much of the recording is kept for looking back [s]: what the longest look wants."""
RAILED_SHARE = 0.02
"""A block with more samples at the rails is cut: a whole sine of full scale has 0.4 % of them in 16 bits."""
MOST_PASSES = 3
"""A tone that begins anew more often, and shows no filter, was no sweep."""
SIDE_WORDS = {Side.HIGH_PASS: "subsonic (high-pass)", Side.LOW_PASS: "low-pass"}


def add_parser(commands: Commands) -> None:
    """Add `flattop response` to the commands."""
    response = commands.add_parser(
        "response", help="find where a filter cuts: corner, slope and alignment from a recorded sweep"
    )
    response.add_argument("file", type=Path, metavar="FILE", help="WAV, or CSV with the header time_s,volts")
    response.add_argument("--channel", type=int, default=1, metavar="N", help="channel behind the filter (default 1)")
    response.add_argument(
        "--reference-channel",
        type=int,
        metavar="M",
        help="channel before the filter: levels are then those of N against M, whatever the volume did",
    )
    response.add_argument("--json", action="store_true", help="print one JSON object, no table")
    response.add_argument("--png", type=Path, metavar="FILE", help="write a picture of the curve as well")


def run(given: argparse.Namespace) -> int:
    """Carry out `flattop response`.

    Raises SettingsError for the arguments, RecordingError for a file without a sweep that can be measured, StorageError
    where the picture cannot be written.
    """
    found = from_recording(given.file, channel=given.channel, reference_channel=given.reference_channel)
    if given.png is not None:
        try:
            response_page.picture(found, title=given.file.name).save(given.png, format="PNG")
        except OSError as fault:
            reason = fault.strerror or fault
            raise StorageError(f"{given.png} cannot be written ({reason}); name another file") from fault
    if given.json:
        print(json.dumps(as_json(found), allow_nan=False))
    else:
        print("\n".join(table(found)))
    return 0


def from_recording(path: Path, *, channel: int = 1, reference_channel: int | None = None) -> Response:
    """Follow the sweep of a recording from its beginning to its end and return what it shows."""
    if reference_channel == channel:
        raise SettingsError(
            f"--reference-channel is {channel}, and so is --channel; a filter lies between two channels; give another"
        )
    with ExitStack() as opened:
        channels = [channel] if reference_channel is None else [channel, reference_channel]
        behind, *before = [
            opened.enter_context(closing(RecordingConverter(path, channel=number, full_scale_v=1.0, keep_s=KEEP_S)))
            for number in channels
        ]
        for note in behind.notes:
            print(f"flattop: note: {note}", file=sys.stderr)
        length_s = behind.end_s - behind.start_s
        if length_s < SHORTEST_S:
            raise RecordingError(
                f"recording {path} is {length_s:.2f} s long; at least {SHORTEST_S:g} s are needed to see a sweep; "
                "record the whole of it"
            )
        follower, sweep = Follower(), Sweep()
        seen_s = 0.0
        now_s, more = behind.start_s + LOOK_S[0], True
        while more:
            more = behind.collect(now_s)
            for converter in before:
                converter.collect(now_s)
            samples = behind.latest(follower.span_s)
            references = [converter.latest(follower.span_s) for converter in before]
            for block in (samples, *references):
                _check_rails(path, block, now_s)
            points = follower.look(samples, references[0] if references else None)
            sweep.extend(points)
            hop_s = min(max(0.5 * follower.span_s, HOP_S[0]), HOP_S[1])
            seen_s += hop_s if math.isfinite(follower.hz) else 0.0
            now_s = min(now_s + hop_s, behind.end_s)
        found = sweep.state(behind.end_s + 2.0 * QUIET_S)
    _check_sweep(path, found, length_s=length_s, seen_s=seen_s, last_hz=follower.hz)
    return found


def _check_rails(path: Path, block: Samples, now_s: float) -> None:
    if len(block) and block.quality.saturated > RAILED_SHARE * len(block):
        raise RecordingError(
            f"recording {path} is clipped: about {now_s:.1f} s, {block.quality.saturated} of {len(block)} samples "
            f"stand at full scale; allowed are {RAILED_SHARE:.0%}, for cut tops hide the level; "
            "record it again at a lower level"
        )


def _check_sweep(path: Path, found: Response, *, length_s: float, seen_s: float, last_hz: float) -> None:
    """Raise RecordingError where there is no sweep to speak of."""
    span = math.log2(found.hz[-1] / found.hz[0]) if len(found.hz) > 1 else 0.0
    remedy = "record the sweep of `flattop tones`, played through the filter"
    needed = f"needed is one sine that goes over {LEAST_SPAN_OCTAVE:g} octave or more"
    strange = found.fit is not None and found.fit.told is Told.STRANGE
    if strange and found.passes > MOST_PASSES:
        raise RecordingError(
            f"no sweep found in {path}: a tone begins anew {found.passes} times (music?); {needed}; {remedy}"
        )
    if span >= LEAST_SPAN_OCTAVE and found.fit is not None and found.fit.told is not Told.TOO_FEW:
        return
    if len(found.hz) > 1:
        what = f"the tone goes from {found.hz[0]:.1f} to {found.hz[-1]:.1f} Hz only ({span:.1f} octaves)"
    elif seen_s > 0.5 * length_s:
        what = f"there is one steady tone of {last_hz:.1f} Hz" if math.isfinite(last_hz) else "its tones do not move"
    elif seen_s > 0.0:
        what = f"a single tone is there for {seen_s:.1f} of {length_s:.1f} s and does not sweep (music, or noise?)"
    else:
        what = "no single tone is there (silence, noise or music?)"
    raise RecordingError(f"no sweep found in {path}: {what}; {needed}; {remedy}")


# -- what is printed --------------------------------------------------------------------------------------------------


def table(found: Response) -> list[str]:
    """Return the answer in a few lines."""
    passes = "once" if found.passes == 1 else f"{found.passes} times"
    against = "against the reference channel" if found.referenced else "against the pass band; volume not to be touched"
    span = " to ".join(f"{hz:.1f}" if hz < 99.95 else f"{hz:.0f}" for hz in (found.hz[0], found.hz[-1]))
    lines = [f"Swept {span} Hz, {passes}, {len(found.hz)} points, {against}."]
    fit = found.fit
    if fit is None or not fit.corners:
        swing_db = float(found.level_db.max() - found.level_db.min())
        told = fit.told if fit is not None else Told.TOO_FEW
        return [*lines, f"Cannot tell: {told}; the level varies by {swing_db:.1f} dB in all."]
    lines.append("")
    lines.append(f"{'':22}{'corner':>10}  {'slope':13} {'alignment':16}{'-3 dB at':>10}{'-6 dB at':>10}")
    for corner in fit.corners:
        slope = f"{corner.slope_db_octave:.0f} dB/octave" if math.isfinite(corner.slope_db_octave) else "cannot tell"
        alignment = (
            str(corner.shape.alignment) if corner.shape else "cannot tell" if corner.rivals else "none of the usual"
        )
        lines.append(
            f"{SIDE_WORDS[corner.side]:22}{_hz(corner.corner_hz, corner.corner_u_hz):>10}  {slope:13} {alignment:16}"
            f"{_hz(corner.down_3_hz, corner.down_3_u_hz):>10}{_hz(corner.down_6_hz, corner.down_6_u_hz):>10}"
        )
        if len(corner.rivals) > 1:
            lines.append(f"{'':22}fit alike: {', '.join(map(str, corner.rivals))}")
    lines.append("")
    for corner in fit.corners:
        share = math.hypot(corner.corner_u_hz / corner.corner_hz, found.lag)
        lines.append(
            f"{SIDE_WORDS[corner.side]}: known within {max(100.0 * share, 0.1):.1f} % (k = 2); {_where(corner)}."
        )
    if found.too_fast:
        lines.append(
            f"Swept too fast at a corner: allowed is 1 octave a second for each {1 / RATE_PER_HZ:g} Hz of it. "
            "Its place is not to be trusted; play a slower sweep."
        )
    return lines


def _where(corner: Corner) -> str:
    if corner.shape is None:
        return "the corner is given where the level is 3 dB down"
    return f"this alignment is {-corner.shape.corner_db:.0f} dB down at its corner"


def _hz(hz: float, u_hz: float) -> str:
    return f"{hz_text(hz, max(u_hz, 5e-4 * hz))} Hz"


def as_json(found: Response) -> dict[str, Any]:
    """Return the answer as values that JSON has; what is not known is null."""
    fit = found.fit
    return {
        "told": fit.told if fit is not None else Told.TOO_FEW,
        "corners": [
            {
                "side": corner.side,
                "alignment": corner.shape.alignment if corner.shape else None,
                "slope_db_octave": _known(corner.slope_db_octave),
                "corner_hz": _known(corner.corner_hz),
                "corner_u_hz": _known(corner.corner_u_hz),
                "down_3_hz": _known(corner.down_3_hz),
                "down_3_u_hz": _known(corner.down_3_u_hz),
                "down_6_hz": _known(corner.down_6_hz),
                "down_6_u_hz": _known(corner.down_6_u_hz),
                "fit_alike": [str(shape) for shape in corner.rivals] if corner.shape is None else [],
            }
            for corner in (fit.corners if fit is not None else ())
        ],
        "left_over_db": _known(fit.rms_db) if fit is not None else None,
        "referenced": found.referenced,
        "lag": _known(found.lag, 6),
        "too_fast": found.too_fast,
        "passes": found.passes,
        "curve": [
            {"hz": _known(hz, 4), "level_db": _known(db, 4), "sigma_db": _known(sigma, 5)}
            for hz, db, sigma in zip(found.hz, found.level_db, found.sigma_db, strict=True)
        ],
    }


def _known(value: float, decimals: int = 4) -> float | None:
    return round(float(value), decimals) if math.isfinite(value) else None
