"""A replay that is set up: which files, which registers of the plan, and what is said of it at the end."""

from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.sources.files.history import History
from meterd.app.operations.history_files import Shape, choose_source, opened_history, why_nothing
from meterd.core.engine import begin
from meterd.core.errors import ConfigError, MeterdError, SourceError
from meterd.core.model.finding import Finding
from meterd.core.model.reading import EXPORT, IMPORT, REGISTERS, LeftOut, Refusals
from meterd.core.model.results import Channel
from meterd.core.registers.corrections import Correction
from meterd.core.registers.register_line import Ints
from meterd.core.registers.tracker import Event, Rule
from meterd.core.reports.import_report import RegisterReport

Step = Callable[[Channel], None]


@dataclass(slots=True)
class Report:
    """What a replay did, for the person at the terminal."""

    readings: int = 0
    refused: int = 0
    samples: list[str] = field(default_factory=list)
    events: dict[str, int] = field(default_factory=dict)
    beyond: dict[Channel, int] = field(default_factory=dict)  # readings that no register of that size can show
    strangers: dict[str, int] = field(default_factory=dict)
    first_ms: int = 0
    until_ms: int = 0  # of the figures
    last_ms: int = 0  # of the readings
    registers: list[RegisterReport] = field(default_factory=list)  # of an import into a store
    decided: list[tuple[Channel, Event]] = field(default_factory=list)
    checks: list[Finding] = field(default_factory=list)  # units and directions by the numbers
    left_out: list[LeftOut] = field(default_factory=list)  # every cell and row that is not read


@dataclass(frozen=True, slots=True)
class Work:
    """A replay that is set up."""

    plan: Plan
    history: History
    channels: tuple[Channel, ...]
    corrections: tuple[Correction, ...] = ()  # of tables; a store has its own
    standing: Mapping[Channel, int | None] = field(
        default_factory=dict
    )  # export registers that did not count: what they show

    def column(self, channel: Channel) -> tuple[Ints, Ints, Refusals]:
        """Times and values of one register; one that did not count shows the same whenever the import of its point was read."""
        if channel not in self.standing:
            return self.history.column(*channel)
        times, _, _ = self.history.column(channel[0], IMPORT)
        return times, np.full(len(times), self.standing[channel] or 0, dtype=np.int64), Refusals()


def prepare(
    plan: Plan,
    files: Sequence[Path],
    source: str | None,
    columns: Mapping[str, Channel] | None,
    corrections: Iterable[Correction] = (),
    *,
    no_export: Mapping[str, int | None] | None = None,
    shape: Shape | None = None,
) -> Work:
    """Open the files and see which registers of the plan they hold.

    `shape` says how files of other shapes are written, where they do not show it. `no_export` names points that exported
    nothing in the time of the files, with what their 2.8.0 showed (milli-units, None where nobody says). ConfigError where
    that cannot be.
    """
    history = opened_history(plan.site, files, choose_source(plan.site, source), columns, shape or Shape())
    known = begin(plan.site, ZoneInfo(plan.site.zone), None).trackers
    channels = tuple(channel for channel in history.channels() if channel in known)
    try:
        if not channels:
            raise SourceError(f"nothing is read: {why_nothing(history, files)}")
        standing = _standing(no_export or {}, known, channels)
    except MeterdError:
        history.close()
        raise
    return Work(plan, history, (*channels, *standing), tuple(corrections), standing)


def _standing(
    no_export: Mapping[str, int | None], known: Container[Channel], held: Container[Channel]
) -> dict[Channel, int | None]:
    for point in no_export:
        what = f"cannot use --no-export {point}"
        if (point, EXPORT) in held:
            raise ConfigError(f"{what}: the files hold {EXPORT} of it; leave the option out")
        if (point, EXPORT) not in known:
            raise ConfigError(f"{what}: the plan reads no {EXPORT} of a point of that name, so none is missing")
        if (point, IMPORT) not in held:
            raise ConfigError(f"{what}: the files hold no {IMPORT} of it, which says when it was read")
    return {(point, EXPORT): shown for point, shown in no_export.items()}


def note_column(report: Report, channel: Channel, readings: int, refused: Refusals) -> None:
    report.readings += readings
    report.refused += refused.count
    report.left_out += refused.cells
    report.samples += [f"{s.point} {REGISTERS[s.register].name}: {s.reason}: {s.sample}" for s in refused.samples[:3]]


def note_beyond(report: Report, channel: Channel, rules: Sequence[Rule], history: tuple[Ints, Ints]) -> None:
    """Readings at or above `register_max_wh` of their instrument count nothing: the plan is wrong, or they are."""
    times, values = history
    most = int(values.max()) if len(values) else 0
    if all(rule.capacity is None or most < rule.capacity for rule in rules):
        return
    count = 0
    for rule in rules:
        if rule.capacity is not None:
            count += int(((times >= rule.from_ms) & (times < rule.until_ms) & (values >= rule.capacity)).sum())
    if count:
        report.beyond[channel] = count


def nothing_read(report: Report) -> str:
    """Why a replay read nothing, by the first refused cells."""
    cells = report.left_out[:3]
    lines = [f"  {c.file}, row {c.row}, {c.column or 'whole row'}, {c.value!r}: {c.reason}" for c in cells]
    count = max(report.refused, len(report.left_out))
    what = f"nothing is read, and nothing is written: {count} values refused" if count else "nothing is read"
    return "\n".join([f"{what}{', for example' if lines else '; the files hold no values'}", *lines])
