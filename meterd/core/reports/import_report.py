"""The check report of an import: what came of each register, what was refused and why, where it has gaps."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from meterd.core.model.finding import Finding
from meterd.core.model.periods import text
from meterd.core.model.reading import REGISTERS, Refusals
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Ints
from meterd.core.registers.tracker import Event

LISTED = 20  # gaps, and refused values, of one register that are written out


@dataclass(frozen=True, slots=True)
class RegisterReport:
    """What came of one register. Gaps are (from, until) in ms UTC, the longest first."""

    channel: Channel
    readings: int
    repeats: int  # readings at a time that another one of the register has too
    first_ms: int | None
    last_ms: int | None
    gaps: int
    longest: tuple[tuple[int, int], ...]
    refused: int
    samples: tuple[str, ...]
    step_ms: int = 0  # the most frequent one between readings


OF_STEP = 1.5  # a gap is longer than this many usual steps: one reading is missing


def usual_step_ms(steps: Ints) -> int:
    """The most frequent step above 0, in ms, the shortest of equals; 0 if there is none."""
    values, counts = np.unique(steps[steps > 0], return_counts=True)
    return int(values[np.argmax(counts)]) if len(values) else 0


def examine(channel: Channel, times: Ints, refused: Refusals, gap_ms: int) -> RegisterReport:
    """Look through the times of one register, in any order.

    A gap is longer than what boundaries are exact across (`gap_ms`) and than 1.5 times the usual step of the register: an
    hourly export has no gap of an hour.
    """
    ordered = np.sort(times)
    steps = np.diff(ordered)
    step_ms = usual_step_ms(steps)
    wide = np.flatnonzero(steps > max(gap_ms, OF_STEP * step_ms))
    longest = wide[np.argsort(-steps[wide], kind="stable")][:LISTED]
    return RegisterReport(
        channel,
        len(ordered),
        int((steps == 0).sum()),
        first_ms=int(ordered[0]) if len(ordered) else None,
        last_ms=int(ordered[-1]) if len(ordered) else None,
        gaps=len(wide),
        longest=tuple((int(ordered[i]), int(ordered[i + 1])) for i in longest),
        refused=refused.count,
        samples=tuple(f"{refusal.reason}: {refusal.sample}" for refusal in refused.samples[:LISTED]),
        step_ms=step_ms,
    )


def open_end(last_ms: int, until_ms: int) -> str:
    """Why the interval of the newest reading has no figure yet; empty where the readings reach its end.

    >>> open_end(600_000, 0)  # doctest: +ELLIPSIS
    'no figure after 1970-01-01T00:00:00Z yet: the newest reading, of 1970-01-01T00:10:00Z, ...'
    """
    if last_ms <= until_ms:
        return ""
    return (
        f"no figure after {text(until_ms)} yet: the newest reading, of {text(last_ms)}, lies before the end of its interval,"
        " which a later reading closes"
    )


@dataclass(frozen=True, slots=True)
class ImportReport:
    """The report of one import."""

    site: str
    plan: str
    made_ms: int
    gap_s: int
    registers: Sequence[RegisterReport]
    decided: Sequence[tuple[Channel, Event]]
    strangers: dict[str, int]
    figures_until_ms: int
    checks: Sequence[Finding] = ()  # units and directions by the numbers

    @property
    def last_ms(self) -> int:
        """Time of the newest reading; 0 without any."""
        return max((report.last_ms for report in self.registers if report.last_ms is not None), default=0)

    def as_json(self) -> dict[str, object]:
        """The report for programs; times in RFC 3339."""
        return {
            "site": self.site,
            "plan": self.plan,
            "made": text(self.made_ms),
            "figures_until": text(self.figures_until_ms),
            "open_end": open_end(self.last_ms, self.figures_until_ms),
            "gap_s": self.gap_s,
            "registers": [
                {
                    "point": report.channel[0],
                    "register": _name(report.channel),
                    "readings": report.readings,
                    "repeats": report.repeats,
                    "first": None if report.first_ms is None else text(report.first_ms),
                    "last": None if report.last_ms is None else text(report.last_ms),
                    "step_s": report.step_ms / 1000,
                    "gaps": report.gaps,
                    "longest_gaps": [{"from": text(low), "until": text(high)} for low, high in report.longest],
                    "refused": report.refused,
                    "refused_samples": list(report.samples),
                }
                for report in self.registers
            ],
            "decided": [
                {
                    "point": channel[0],
                    "register": _name(channel),
                    "what": event.kind,
                    "at": text(event.at_ms),
                    "before_wh": event.before / 1000,
                    "shown_wh": event.shown / 1000,
                }
                for channel, event in self.decided
            ],
            "checks": [
                {"cause": finding.cause, "points": list(finding.points), "text": finding.text, "to_do": finding.remedy}
                for finding in self.checks
            ],
            "not_in_the_plan": self.strangers,
        }

    def lines(self) -> Iterable[str]:
        """The report for people."""
        yield f"Import into {self.site}, {text(self.made_ms)}; figures until {text(self.figures_until_ms)}"
        yield from (f"Check: {finding.text}; {finding.remedy}" for finding in self.checks)
        if message := open_end(self.last_ms, self.figures_until_ms):
            yield message[0].upper() + message[1:] + "."
        yield f"A gap is longer than {self.gap_s} s and than {OF_STEP} usual steps."
        for report in self.registers:
            yield ""
            span = (
                ""
                if report.first_ms is None or report.last_ms is None
                else f", {text(report.first_ms)} to {text(report.last_ms)}"
            )
            step = f", every {report.step_ms / 1000:g} s" if report.step_ms else ""
            repeats = f", {report.repeats} at a time already read" if report.repeats else ""
            yield f"{report.channel[0]} {_name(report.channel)}: {report.readings} readings{span}{step}{repeats}"
            if report.gaps:
                yield f"  gaps: {report.gaps}, the longest:"
                yield from (
                    f"    {text(low)} to {text(high)}, {(high - low) / 3_600_000:.2f} h" for low, high in report.longest
                )
            if report.refused:
                yield f"  refused: {report.refused} values, the first:"
                yield from (f"    {sample}" for sample in report.samples)
        yield from self._decided_lines()
        if self.strangers:
            yield ""
            yield "Not in the plan, left out:"
            yield from (f"  {name}: {rows} rows" for name, rows in sorted(self.strangers.items()))

    def _decided_lines(self) -> Iterable[str]:
        if not self.decided:
            return
        yield ""
        yield "Decided:"
        for channel, event in sorted(self.decided, key=lambda item: (item[1].at_ms, item[0])):
            before, shown = event.before / 1e6, event.shown / 1e6
            yield f"  {text(event.at_ms)} {channel[0]} {_name(channel)}: {event.kind}, {before:.3f} k to {shown:.3f} k"


def _name(channel: Channel) -> str:
    return REGISTERS[channel[1]].name
