"""`flattop report`: the record of a tuning run as one page of HTML or one table, from the card's folder alone.

The page holds everything it shows, asks the network for nothing, prints on A4 and reads on a phone. Numbers stand in
it twice: as run.json has them, for machines, and with the digits that their uncertainty leaves, for people.
"""

from __future__ import annotations

import argparse
import importlib.util
import math
import time
from collections.abc import Callable, Sequence
from decimal import Decimal
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from flattop import __version__
from flattop.errors import SettingsError, StorageError
from flattop.record.card import Card, write_file
from flattop.record.report_view import Estimate, Filtered, Findings, Output, Picture, Record, state_of
from flattop.record.rows import Value, cell, line
from flattop.record.run_file import Kept, Run, add_notes, load, note_volume
from flattop.record.stamps import Trust, rfc3339

if TYPE_CHECKING:
    from markupsafe import Markup

NEEDED = ("jinja2", "matplotlib")
TEMPLATE = "report.html.jinja"
HTML, CSV = "report.html", "report.csv"
MOST_DECIMALS = 3
KINDS = {
    "check": "check",
    "supply": "supply",
    "source": "source",
    "link": "link",
    "found": "as found",
    "set": "gain set",
    "match": "matched",
    "tone": "other tone",
    "left": "as left",
    "filter": "filter",
    "quiet": "noise",
    "reconnect": "reconnect",
}
INKS = {"ink": "#000000", "quiet": "#595959", "blue": "#0072B2"}
"""Colours of text on white: 21, 7.0 and 5.2 to 1 (WCAG 2.2)."""
FILLS = {"sky": "#56B4E9", "yellow": "#F0E442", "orange": "#E69F00"}
"""Colours of Okabe & Ito behind black: 9.1, 15.9 and 9.3 to 1."""
CLOCKS = {
    Trust.UNKNOWN: "the meter's clock was not set: the date is not known",
    Trust.CHIP: "by the meter's clock chip",
    Trust.SET: "by the meter's clock, set by hand",
    Trust.NETWORK: "by the network's time",
}


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command to those of the command line."""
    report = commands.add_parser("report", help="make the record of a tuning run: one page to print and to hand over")
    report.add_argument("folder", type=Path, metavar="DIR", help="folder of the session")
    report.add_argument("--csv", action="store_true", help="a table of the kept readings instead of the page")
    report.add_argument("--note", action="append", metavar="TEXT", help="add a note to the run first; may be repeated")
    report.add_argument(
        "--volume-step", type=int, metavar="N", help="add at which step of its volume the source was left, first"
    )
    report.add_argument(
        "--out", type=Path, metavar="FILE", help=f"default {HTML} or {CSV} in the folder of the session"
    )


def run(given: argparse.Namespace, *, say: Callable[[str], object] = print) -> int:
    """Carry out the command; return 0.

    Raises StorageError where the folder cannot be read or written, SettingsError where a library is missing.
    """
    if not given.csv:
        check_libraries()
    if given.volume_step is not None:
        note_volume(given.folder, given.volume_step)
        say(f"Volume of the source: step {given.volume_step}.")
    if given.note:
        record = add_notes(given.folder, given.note, wall_time=rfc3339(time.time()))
        say(f"Noted: {len(given.note)} of {len(record.notes)} notes in all.")
    else:
        record = load(given.folder)
    path: Path = given.out or given.folder / (CSV if given.csv else HTML)
    content = table(record) if given.csv else page(record, given.folder).encode("utf-8")
    try:
        write_file(Card(), path, content)
    except OSError as fault:
        raise StorageError(
            f"{path} cannot be written ({fault.strerror or fault}); make room, or name another file with --out"
        ) from fault
    say(f"Report: {path}")
    return 0


def check_libraries() -> None:
    """Raise SettingsError if what the page is made with is not installed."""
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise SettingsError(
            f"the page is made with {' and '.join(NEEDED)}; not installed here: {', '.join(missing)}; install them: "
            "pip install 'flattop[report]', or make the table, which needs neither, with --csv"
        )


# -- the table --------------------------------------------------------------------------------------------------------

COLUMNS = (
    *("number", "step", "kind", "place", "channel", "side", "tone", "state", "wall_time", "wall_trust", "t_s", "input"),
    *("rms_v", "u_v", "u_common_rel", "hz", "verdict", "reason", "overdrive_db", "thd_pct", "dc_v", "no_load"),
    *("ceiling_v", "ceiling_u_v", "volume_step", "judgement", "findings", "simulated", "calibrated", "wave"),
    *("line_to_speaker_db", "line_to_speaker_u_db", "polarity"),
)


def table(record: Run) -> bytes:
    """Return the kept readings as CSV (RFC 4180), one a row: where, as found or as left, and how it was judged."""
    steps = {step.id: step for step in record.steps}
    findings = Findings(record)
    rows = []
    for kept in record.kept:
        step = steps[kept.step]
        facts: dict[str, Value | None] = msgspec.structs.asdict(step) | msgspec.structs.asdict(kept)
        facts["state"] = state_of(step)
        facts["t_s"] = f"{kept.t_s:.6f}"  # seven digits are too few on a host that has been up for days
        facts["judgement"] = findings.judgement(step)
        facts["findings"] = "; ".join(f"{finding.what}: {finding.judgement}" for finding in findings.of(step))
        rows.append([cell(facts[name]) for name in COLUMNS])
    return b"".join(map(line, [COLUMNS, *rows]))


# -- the page ---------------------------------------------------------------------------------------------------------


def page(run: Run, folder: Path) -> str:
    """Return the report as one page of HTML, with the waves that lie in `folder`."""
    import jinja2
    from markupsafe import Markup

    from flattop.record.report_charts import levels_svg, response_svg, tops_svg

    record = Record(run, folder)

    def levels_chart(output: Output, outputs: Sequence[Output]) -> Markup:
        levels = output.levels
        if not levels.known:
            return Markup()
        said = ((levels.found_v, "as found"), (levels.left_v, "as left"), (levels.ceiling_v, "ceiling"))
        words = ", ".join(f"{text} {value:.4g} V" for value, text in said if math.isfinite(value))
        among = [level for other in outputs for level in other.levels.known]
        numbers = [record.plan.amplifiers.index(output.amplifier), outputs.index(output)]
        return Markup(levels_svg(levels, among=among, name="o{}-{}".format(*numbers), words=words))

    def tops_chart(picture: Picture) -> Markup:
        if picture.tops is None:
            return Markup()
        kept = picture.kept
        missing = f", {kept.overdrive_db:.2g} dB missing" if kept.overdrive_db else ""
        words = f"tops of reading {kept.number}: {kept.verdict}{missing}"
        return Markup(tops_svg(picture.tops, name=f"k{kept.number}", words=words))

    def response_chart(filtered: Filtered, number: int) -> Markup:
        channel = filtered.channel
        said = []
        for text, one in (("as found", filtered.found), ("as left", filtered.left)):
            corners = one.corners if one is not None else ()
            said += [f"{corner.side} at {corner.corner_hz:.4g} Hz {text}" for corner in corners]
        return Markup(
            response_svg(
                filtered.found,
                filtered.left,
                stated_hz=[hz for hz in (channel.subsonic_hz, channel.low_pass_hz) if hz],
                name=f"f{number}",
                words="level against frequency: " + (", ".join(said) or "no corner"),
            )
        )

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True, finalize=_printable
    )
    environment.filters |= {"pm": _plus_minus, "number": _number, "when": _when}
    template = environment.from_string((resources.files("flattop.record") / TEMPLATE).read_text("utf-8"))
    return template.render(
        record=record,
        run=run,
        plan=record.plan,
        clock=CLOCKS[run.started.wall_trust],
        kinds=KINDS,
        inks=INKS,
        fills=FILLS,
        levels_chart=levels_chart,
        response_chart=response_chart,
        tops_chart=tops_chart,
        made_with=__version__,
    )


def _printable(value: object) -> object:
    """Return what an expression of the template gives, without what steers a terminal or turns the text about."""
    if type(value) is not str or value.isprintable():
        return value
    return "".join(c if c.isprintable() or c in "\n\u00a0\u3000" else "\ufffd" for c in value)


def figures(
    value: float, u: float | None, *, digits: int | None = None, finest: int = MOST_DECIMALS
) -> tuple[str, str]:
    """Return a value and its expanded uncertainty as text.

    `digits` are those of the uncertainty, two by default, which is rounded up and has `finest` decimals at most.
    Without one they are those of the value, four by default, and the second text is empty.
    """
    if not u:
        plain = format(Decimal(f"{value:.{digits or 4}g}"), "f")  # no powers of ten
        return plain.replace("-", "−"), ""
    decimals = min(max((digits or 2) - 1 - math.floor(math.log10(u)), 0), finest)
    upward = math.ceil(u * 10**decimals - 1e-6) / 10**decimals
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−"), f"{upward:.{decimals}f}"


def _number(
    value: float | None, unit: str, u: float | None = None, *, digits: int | None = None, finest: int = MOST_DECIMALS
) -> Markup:
    """Return a number for people, with the same one for machines behind it."""
    from markupsafe import Markup

    if value is None:
        return Markup("not known")
    text, u_text = figures(value, u, digits=digits, finest=finest)
    number = Markup('<data value="{}">{}</data>').format(repr(value), text)
    if not u_text:
        return Markup('<span class="number">{}\u00a0{}</span>').format(number, unit)
    return Markup('{} <span class="u">± {}\u00a0{}</span>').format(number, u_text, unit)


def _plus_minus(known: Kept | Estimate | None, unit: str = "V", *, digits: int | None = None) -> Markup:
    if isinstance(known, Kept):
        return _number(known.rms_v, unit, known.u_v, digits=digits)
    return _number(known.value if known else None, unit, known.u if known else None, digits=digits)


def _when(wall_time: str) -> str:
    """Return a time of RFC 3339 to the minute; what is not one as it is."""
    return f"{wall_time[:10]} {wall_time[11:16]} UTC" if wall_time.endswith("Z") else wall_time
