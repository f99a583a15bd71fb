"""The check report of an import: what came of each register, what was refused and why, where it has gaps."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from meterd.errors import StoreError
from meterd.figure import Channel
from meterd.interval import text
from meterd.knots import Ints
from meterd.reading import REGISTERS
from meterd.register import Event
from meterd.sources.spread import Refusals

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


def examine(channel: Channel, times: Ints, refused: Refusals, gap_ms: int) -> RegisterReport:
    """Look through the times of one register, in any order. A gap is longer than what boundaries are exact across."""
    ordered = np.sort(times)
    steps = np.diff(ordered)
    wide = np.flatnonzero(steps > gap_ms)
    longest = wide[np.argsort(-steps[wide], kind="stable")][:LISTED]
    return RegisterReport(
        channel,
        len(ordered),
        int((steps == 0).sum()),
        int(ordered[0]) if len(ordered) else None,
        int(ordered[-1]) if len(ordered) else None,
        len(wide),
        tuple((int(ordered[i]), int(ordered[i + 1])) for i in longest),
        refused.count,
        tuple(f"{one.reason}: {one.sample}" for one in refused.samples[:LISTED]),
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

    def write(self, path: Path) -> None:
        """As JSON if the name ends so, else as text for people. StoreError if the file cannot be written."""
        lines = json.dumps(self.as_json(), indent=1) if path.suffix == ".json" else "\n".join(self.lines())
        try:
            path.write_text(lines + "\n", encoding="utf-8")
        except OSError as exc:
            raise StoreError(f"cannot write the report {path}: {exc}") from exc

    def as_json(self) -> dict[str, object]:
        """The report for programs; times in RFC 3339."""
        return {
            "site": self.site,
            "plan": self.plan,
            "made": text(self.made_ms),
            "figures_until": text(self.figures_until_ms),
            "gap_s": self.gap_s,
            "registers": [
                {
                    "point": one.channel[0],
                    "register": _name(one.channel),
                    "readings": one.readings,
                    "repeats": one.repeats,
                    "first": None if one.first_ms is None else text(one.first_ms),
                    "last": None if one.last_ms is None else text(one.last_ms),
                    "gaps": one.gaps,
                    "longest_gaps": [{"from": text(low), "until": text(high)} for low, high in one.longest],
                    "refused": one.refused,
                    "refused_samples": list(one.samples),
                }
                for one in self.registers
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
            "not_in_the_plan": self.strangers,
        }

    def lines(self) -> Iterable[str]:
        """The report for people."""
        yield f"Import into {self.site}, {text(self.made_ms)}; figures until {text(self.figures_until_ms)}"
        yield f"A gap is longer than {self.gap_s} s."
        for one in self.registers:
            yield ""
            span = (
                "" if one.first_ms is None or one.last_ms is None else f", {text(one.first_ms)} to {text(one.last_ms)}"
            )
            repeats = f", {one.repeats} at a time already read" if one.repeats else ""
            yield f"{one.channel[0]} {_name(one.channel)}: {one.readings} readings{span}{repeats}"
            if one.gaps:
                yield f"  gaps: {one.gaps}, the longest:"
                yield from (
                    f"    {text(low)} to {text(high)}, {(high - low) / 3_600_000:.2f} h" for low, high in one.longest
                )
            if one.refused:
                yield f"  refused: {one.refused} values, the first:"
                yield from (f"    {sample}" for sample in one.samples)
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
        for channel, event in sorted(self.decided, key=lambda one: (one[1].at_ms, one[0])):
            before, shown = event.before / 1e6, event.shown / 1e6
            yield f"  {text(event.at_ms)} {channel[0]} {_name(channel)}: {event.kind}, {before:.3f} k to {shown:.3f} k"


def _name(channel: Channel) -> str:
    return REGISTERS[channel[1]].name
