"""What a run shows on a terminal: a line of progress while it lasts, a short table when it is over."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from dataclasses import replace
from types import TracebackType
from typing import TYPE_CHECKING, Self

from flattop.measure.reading import Reading, Verdict
from flattop.panel.words import DASHES, hz_text, volts_text
from flattop.tuning.judge import Finding, Judgement

if TYPE_CHECKING:
    from flattop.record.run_file import Run
    from flattop.tuning.steps import Prompt

STANDS_S = 0.3
"""A verdict that passed within this time gets no row of its own [s]."""
MOST_ROWS = 30
CLEAR_LINE = "\r\x1b[K"


def say(text: str) -> None:
    """Write one line beside the output proper, on standard error."""
    print(text, file=sys.stderr)


class _StatusLine:
    """One line on standard error, written over and over and gone at the end; nothing where that is no terminal."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._shown:
            print(CLEAR_LINE, end="", file=sys.stderr, flush=True)

    def _write(self, line: str) -> None:
        print(CLEAR_LINE + line[: shutil.get_terminal_size().columns - 1], end="", file=sys.stderr, flush=True)


class Progress(_StatusLine):
    """How far a run has come."""

    def __init__(self, start_s: float, end_s: float) -> None:
        super().__init__()
        self._start_s, self._end_s = start_s, end_s

    def show_run(self, reading: Reading, prompt: Prompt | None) -> None:
        """Show where a tuning run stands."""
        if not self._shown or prompt is None:
            return
        done = "=" * round(30 * prompt.number / max(prompt.total, 1))
        line = f"{reading.time_s:7.1f} s  [{done:30}] {prompt.number} of {prompt.total}  {prompt.place} {prompt.text}"
        self._write(line)

    def show(self, reading: Reading) -> None:
        """Show the time and verdict of a reading, and a bar."""
        if not self._shown:
            return
        done = (reading.time_s - self._start_s) / max(self._end_s - self._start_s, 1e-9)
        bar = "=" * round(30 * min(max(done, 0.0), 1.0))
        line = f"{reading.time_s:7.1f} s of {self._end_s:.1f} s  [{bar:30}]  {reading.verdict}"
        self._write(line)


def print_outputs(run: Run) -> None:
    """Print a row for each output of a run: its level as found and as left, and its ceiling."""
    kinds = {step.id: step for step in run.steps}
    rows: dict[str, dict[str, str]] = {}
    for kept in run.kept:
        step = kinds[kept.step]
        if step.kind not in {"found", "left"}:
            continue
        row = rows.setdefault(f"{step.place} {step.channel}".strip(), {})
        row[step.kind] = f"{_volts(kept.rms_v, kept.u_v)}{'' if kept.verdict == 'clean' else f', {kept.verdict}'}"
        row["ceiling"] = _volts(kept.ceiling_v, kept.ceiling_u_v)
    if rows:
        print(f"{'output, no load':20} {'as found':>16} {'as left':>16} {'ceiling':>10}")
    for name, row in rows.items():
        print(f"{name:20} {row.get('found', ''):>16} {row.get('left', ''):>16} {row['ceiling']:>10}")


def _volts(value: float | None, u: float | None) -> str:
    return "" if value is None else f"{volts_text(value, u or 0.0)} V"


def print_findings(findings: Sequence[Finding]) -> None:
    """Print what failed, each with what to look at, then what cannot be told, and count what passed."""
    for judgement in (Judgement.FAIL, Judgement.CANNOT_TELL):
        for finding in findings:
            if finding.judgement is not judgement:
                continue
            print(f"{judgement.upper():12} {finding.text}{'  (no load)' if finding.no_load else ''}")
            if finding.causes and judgement is Judgement.FAIL:
                print(f"{'':12} look at: {', '.join(finding.causes)}")
    passed = sum(finding.judgement is Judgement.PASS for finding in findings)
    print(f"{Judgement.PASS.upper():12} {passed} more, which the report names")


class Live(_StatusLine):
    """The present reading and what is wrong."""

    def show(self, reading: Reading, faults: Sequence[str]) -> None:
        """Show a reading, and beside it the faults in a few words each."""
        if not self._shown:
            return
        measured = reading.can_be_measured
        volts = volts_text(reading.rms_v, reading.rms_u_v) if measured else DASHES
        hz = hz_text(reading.hz, reading.hz_u) if measured else DASHES
        reason = f" ({reading.reason})" if reading.reason else ""
        wrong = f"   ! {', '.join(faults)}" if faults else ""
        line = f"{volts:>6} V  {hz:>7} Hz  {reading.verdict}{reason}{wrong}"
        self._write(line)


class _Span:
    """Readings in a row with one verdict for one reason: the first, the last, and the one of the highest level."""

    def __init__(self, reading: Reading) -> None:
        # A long recording has many: the pictures of the tops are not kept.
        self.first = self.last = self.highest = replace(reading, tops=None)

    def add(self, reading: Reading) -> bool:
        """Take a reading in; False if it says something else."""
        if (reading.verdict, reading.reason) != (self.first.verdict, self.first.reason):
            return False
        self.last = replace(reading, tops=None)
        if not reading.rms_v <= self.highest.rms_v:
            self.highest = self.last
        return True

    @property
    def stands(self) -> bool:
        return self.last.time_s - self.first.time_s >= STANDS_S

    def row(self) -> str:
        first, last, highest = self.first, self.last, self.highest
        known = last.verdict is not Verdict.UNKNOWN
        highest_v = volts_text(highest.rms_v, highest.rms_u_v) + " V" if known else ""
        hz = hz_text(last.hz, last.hz_u) if known else ""
        bent = last.verdict in {Verdict.SOFT, Verdict.FLAT}
        missing = f"{highest.overdrive_db:.2f} dB" if bent else ""
        verdict = f"{last.verdict}: {last.reason}" if last.reason else str(last.verdict)
        return (
            f"{first.time_s:6.1f}  {last.time_s:6.1f} s  {volts_text(last.rms_v, last.rms_u_v):>6} V"
            f"  {highest_v:>8}  {hz:>8}  {missing:>12}   {verdict}"
        )


class Table:
    """The run in one row for each verdict that stood for a while."""

    def __init__(self) -> None:
        self._spans: list[_Span] = []

    def add(self, reading: Reading) -> None:
        """Take the next reading in."""
        if not (self._spans and self._spans[-1].add(reading)):
            self._spans.append(_Span(reading))

    def print(self) -> None:
        """Print the table."""
        spans = [span for span in self._spans if span.stands] or self._spans
        if not spans:
            print("No reading: there was nothing to measure.")
            return
        print("  from       to       volts   highest        Hz   top missing   verdict")
        for span in spans[:MOST_ROWS]:
            print(span.row())
        if len(spans) > MOST_ROWS:
            print(f"... and {len(spans) - MOST_ROWS} more, in readings.csv")
