"""The table of derived values.

`ROWS` names each derived value once: topic pattern, unit, meaning, validity, and the function that takes it out of a
`Snapshot`. Topics, catalogue, AsyncAPI document and README follow the rows. To add a value: one function, one row.
"""

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from meterd.core.model.demand import WARNINGS
from meterd.core.model.forecast import Course
from meterd.core.model.plan import PointState, Role, Site
from meterd.core.model.reading import REGISTERS, Quality, RegisterKind
from meterd.core.model.rounds import Belief, Round, belief_of, newest_round
from meterd.core.model.snapshot import BoardNow, Now, PowerNow, PvNow, Snapshot, SurplusNow
from meterd.core.model.surplus_level import LEVELS
from meterd.core.topics.definition import MISSING, Each, Row, RowValue, TimeBasis
from meterd.core.topics.demand_rows import demand_rows
from meterd.core.topics.display_rows import display_rows
from meterd.core.topics.forecast_rows import forecast_rows
from meterd.core.topics.plan_facts import plan_facts_of
from meterd.core.topics.sharing_rows import sharing_rows

__all__ = [
    "LARGEST",
    "ROWS",
    "VERDICTS",
    "WORDS",
    "BoardNow",
    "Each",
    "Entry",
    "Now",
    "PowerNow",
    "PvNow",
    "Row",
    "RowValue",
    "Snapshot",
    "SurplusNow",
    "TimeBasis",
    "Value",
    "catalogue",
    "values",
]


@dataclass(frozen=True, slots=True)
class Entry:
    """A row for one name of one plan. `topic` is complete; `dead_band` is in the unit of the value, 0 = any change."""

    topic: str
    row: Row
    name: str
    unit: str
    valid_s: int
    believed_ms: int
    fallback: int | None
    dead_band: float

    @property
    def meaning(self) -> str:
        """The sentence of the row."""
        return self.row.meaning

    @property
    def period(self) -> str:
        """The moment or period the value speaks of, in words."""
        return self.row.follows.value

    @property
    def dated(self) -> bool:
        """Whether its time is published as a bare number too: what controllers act on."""
        return self.row.dated

    @property
    def topics(self) -> tuple[str, ...]:
        """The topics of the value: the pack, the bare number and, where there is one, the bare time."""
        time = (f"{self.topic}/time",) if self.dated else ()
        return (self.topic, f"{self.topic}/plain", *time)


@dataclass(frozen=True, slots=True)
class Value:
    """One derived value at one moment. `value` is None exactly when `state` is invalid; energies are in Wh."""

    entry: Entry
    value: float | int | None
    at_ms: int
    state: Quality
    text: str = ""
    apart_ms: int | None = None
    course: Course | None = None
    step_ms: int = 0

    @property
    def topic(self) -> str:
        """The complete topic, which is also the SenML name."""
        return self.entry.topic

    @property
    def unit(self) -> str:
        """SenML unit symbol, empty for a word."""
        return self.entry.unit

    @property
    def valid_s(self) -> int:
        """Seconds after `at_ms` until which the value may be used."""
        return self.entry.valid_s

    @property
    def fallback(self) -> int | None:
        """The bare number while invalid, or None."""
        return self.entry.fallback


# What the bare number of a verdict means.
VERDICTS: dict[str, int] = {"inside": 0, "outside": 1, "not computable": 2}

# Every word that a pack may carry in the place of a number, with its bare number.
WORDS: dict[str, int] = {**VERDICTS, **LEVELS, **WARNINGS}

# No power, voltage or energy of a low-voltage site comes near; a number beyond it is a fault upstream, not a value.
LARGEST = 1e15

# Powers that controllers act on: sent as soon as a round of samples is complete, the first of them first.
_POWERS = ("pv/surplus", "site/draw", "pv/self-use", "pv/production", "site/load")


def believed_s(follows: TimeBasis, site: Site) -> int:
    """Seconds after its time stamp for which a value counts as known; older ones are published as invalid.

    A counter counts as known for two intervals, a closed interval until the next one must have closed.
    """
    if follows is TimeBasis.COUNTER:
        return 2 * site.interval_s
    if follows in (TimeBasis.CLOSED, TimeBasis.DAY, TimeBasis.FORECAST):
        return site.interval_s + 2 * site.limits.close_after_s
    return site.limits.power_max_age_s


def validity_s(follows: TimeBasis, site: Site) -> int:
    """`ut` of a value: believed at most so long, and repeated so often that one lost heartbeat does no harm."""
    return believed_s(follows, site) + 2 * site.limits.publish_every_s


# --- how the rows take their values ---------------------------------------------------------------------------------


def _register_now(kind: RegisterKind) -> Callable[[Snapshot, str], RowValue]:
    def counter(snapshot: Snapshot, point: str) -> RowValue:
        return _taken(snapshot.counters.get((point, kind.obis)))

    def instant(snapshot: Snapshot, point: str) -> RowValue:
        return _taken(snapshot.instant.get((point, kind.obis)))

    return counter if kind.cumulative else instant


def _taken(now: Now | None) -> RowValue:
    # A value retained before the start has no known age: its time of arrival says nothing.
    if now is None or now.old:
        return MISSING
    return RowValue(now.value, now.at_ms, Quality.GOOD, every_ms=now.every_ms)


def _board_quality(board: BoardNow) -> Quality:
    # Incomplete coverage weighs more than an estimated boundary: the sum itself lacks points.
    if board.covered < board.of or board.uncovered:
        return Quality.PARTIAL
    return Quality.ESTIMATED if board.estimated else Quality.GOOD


def _board(snapshot: Snapshot, name: str, follows: TimeBasis) -> BoardNow | None:
    return (snapshot.closed if follows is TimeBasis.CLOSED else snapshot.running).get(name)


def _board_energy(follows: TimeBasis, pick: Callable[[BoardNow], int | None]) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, name: str) -> RowValue:
        board = _board(snapshot, name, follows)
        if board is None:
            return MISSING
        energy_mwh = pick(board)
        at_ms = min(board.end_ms, snapshot.now_ms)
        # True division is rounded correctly: three decimals of it are the exact milliwatt-hours up to 2^43 Wh (8.8 TWh).
        return RowValue(None if energy_mwh is None else energy_mwh / 1000, at_ms, _board_quality(board))

    return take


def _board_verdict(follows: TimeBasis) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, name: str) -> RowValue:
        board = _board(snapshot, name, follows)
        if board is None or board.verdict not in VERDICTS:
            return MISSING
        at_ms = min(board.end_ms, snapshot.now_ms)
        return RowValue(VERDICTS[board.verdict], at_ms, _board_quality(board), board.verdict)

    return take


def _sum_power(pick: Callable[[Snapshot], PowerNow | SurplusNow]) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, _: str) -> RowValue:
        now = pick(snapshot)
        return RowValue(now.power_w, now.at_ms, now.state, apart_ms=now.apart_ms, every_ms=now.every_ms)

    return take


def _pv_ratio(pick: Callable[[PvNow], float | None]) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, _: str) -> RowValue:
        day = snapshot.pv_day
        if day is None:
            return MISSING
        return RowValue(pick(day), day.end_ms, Quality.ESTIMATED if day.estimated else Quality.GOOD)

    return take


def _round(snapshot: Snapshot, points: tuple[str, ...], registers: tuple[str, ...]) -> Round:
    """One round of these registers at all of these points; its values are named `point register`."""
    instant = snapshot.instant
    latest_values = {f"{p} {r}": instant.get((p, r)) for p in points for r in registers}
    traces = {name: () if now is None else now.trace for name, now in latest_values.items()}
    return newest_round(traces, belief_of(snapshot.site.limits, snapshot.now_ms))


def _total(taken: Round, register: str) -> float:
    return math.fsum(value for name, value in taken.values.items() if name.endswith(f" {register}"))


def _of_round(value: float, taken: Round) -> RowValue:
    return RowValue(value, taken.at_ms, Quality.GOOD, apart_ms=taken.apart_ms, every_ms=taken.every_ms)


def _loading(snapshot: Snapshot, name: str) -> RowValue:
    """Apparent power over rating where the plan reads reactive power at every feed, else active power over rating."""
    loaded = plan_facts_of(snapshot.site).loaded[name]
    taken = _round(snapshot, loaded.feeds, ("16.7.0", "131.7.0") if loaded.reactive else ("16.7.0",))
    if not taken.complete:
        return MISSING
    return _of_round(math.hypot(_total(taken, "16.7.0"), _total(taken, "131.7.0")) / loaded.rating_va, taken)


def _phase_loading(register: str) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, name: str) -> RowValue:
        loaded = plan_facts_of(snapshot.site).loaded[name]
        taken = _round(snapshot, loaded.feeds, (register,))
        return _of_round(abs(_total(taken, register)) / loaded.rated_a, taken) if taken.complete else MISSING

    return take


# --- for which names a row exists -----------------------------------------------------------------------------------


def _points_with(obis: str) -> Callable[[Site], tuple[str, ...]]:
    return lambda site: plan_facts_of(site).registers[obis]


def _boards_with(obis: str) -> Callable[[Site], tuple[str, ...]]:
    return lambda site: tuple(name for name, loaded in plan_facts_of(site).loaded.items() if obis in loaded.registers)


def _all_boards(site: Site) -> tuple[str, ...]:
    return tuple(board.name for board in site.boards)


def _site_itself(site: Site) -> tuple[str, ...]:
    return ("",)


def _with_pv(site: Site) -> tuple[str, ...]:
    return ("",) if any(p.role is Role.PV and p.state is not PointState.RETIRED for p in site.points) else ()


# --- the rows -------------------------------------------------------------------------------------------------------

_MEANINGS: dict[str, str] = {
    "import": "Register of the energy counted along the arrow of the drawing, on the primary side.",
    "export": "Register of the energy counted against the arrow of the drawing, on the primary side.",
    "reactive-import": "Register of the reactive energy counted along the arrow, on the primary side.",
    "reactive-export": "Register of the reactive energy counted against the arrow, on the primary side.",
    "power": "Active power, positive along the arrow of the drawing.",
    "power-l1": "Active power of phase L1, positive along the arrow.",
    "power-l2": "Active power of phase L2, positive along the arrow.",
    "power-l3": "Active power of phase L3, positive along the arrow.",
    "reactive-power": "Reactive power, positive for inductive load along the arrow.",
    "voltage-l1": "Voltage between phase L1 and neutral.",
    "voltage-l2": "Voltage between phase L2 and neutral.",
    "voltage-l3": "Voltage between phase L3 and neutral.",
    "current-l1": "Current of phase L1.",
    "current-l2": "Current of phase L2.",
    "current-l3": "Current of phase L3.",
    "power-factor": "Power factor as the instrument gives it; never an average.",
    "frequency": "Frequency of the supply.",
    "irradiance": "Irradiance in the plane of the PV array.",
    "ct-primary": "Primary current of the transformers, or their ratio, as the meter is set to it.",
    "ct-secondary": "Secondary current of the transformers, as the meter is set to it.",
}


def _point_row(kind: RegisterKind) -> Row:
    follows = TimeBasis.COUNTER if kind.cumulative else TimeBasis.NOW
    pattern, present = f"point/{{point}}/{kind.name}", _points_with(kind.obis)
    return Row(pattern, kind.unit, _MEANINGS[kind.name], Each.POINT, follows, _register_now(kind), present)


def _board_rows(follows: TimeBasis) -> tuple[Row, ...]:
    folder = "board/{board}/" + ("running/" if follows is TimeBasis.RUNNING else "")
    of = f"of the {follows.value}"

    def energy(name: str, meaning: str, pick: Callable[[BoardNow], int | None]) -> Row:
        return Row(folder + name, "Wh", meaning, Each.BOARD, follows, _board_energy(follows, pick), _all_boards)

    text = f"Verdict {of}: inside (0), outside (1) or not computable (2); the number is that of /plain."
    return (
        energy("feed", f"Energy into the board {of}: feeds, PV, backup and storage.", lambda b: b.feed_mwh),
        energy("outgoing", f"Energy of the outgoing feeders {of}.", lambda b: b.outgoing_mwh),
        energy("residual", f"Feed side minus outgoing side {of}.", lambda b: b.residual_mwh),
        energy("band", f"Expanded uncertainty (k = 2) of the residual {of}.", lambda b: b.band_mwh),
        Row(
            folder + "verdict",
            "",
            text,
            Each.BOARD,
            follows,
            _board_verdict(follows),
            _all_boards,
            fallback=2,
            words=VERDICTS,
        ),
    )


def _loading_rows() -> tuple[Row, ...]:
    whole = (
        "Loading of the transformer: apparent power of the feeds over its rating where reactive power is read at every "
        "feed, otherwise active power over its rating, which is less."
    )
    phase = "Loading of phase {}: current of the feeds, added as magnitudes, over the rated current at nominal voltage."
    rows = [Row("board/{board}/loading", "/", whole, Each.BOARD, TimeBasis.NOW, _loading, _boards_with("16.7.0"))]
    for name, obis in (("l1", "31.7.0"), ("l2", "51.7.0"), ("l3", "71.7.0")):
        pattern, text = f"board/{{board}}/loading-{name}", phase.format(name.upper())
        rows.append(Row(pattern, "/", text, Each.BOARD, TimeBasis.NOW, _phase_loading(obis), _boards_with(obis)))
    return tuple(rows)


def _site_power(name: str, meaning: str, pick: Callable[[Snapshot], PowerNow]) -> Row:
    return Row(f"site/{name}", "W", meaning, Each.SITE, TimeBasis.NOW, _sum_power(pick), _site_itself)


def _pv_rows() -> tuple[Row, ...]:
    def power(name: str, meaning: str, pick: Callable[[Snapshot], PowerNow | SurplusNow], fallback: int | None) -> Row:
        return Row(f"pv/{name}", "W", meaning, Each.SITE, TimeBasis.NOW, _sum_power(pick), _with_pv, fallback=fallback)

    def ratio(name: str, meaning: str, pick: Callable[[PvNow], float | None]) -> Row:
        text = f"{meaning} of the local day so far, import and export apart as counted in each interval;"
        end = " undefined (invalid) without " + ("production." if name == "self-consumption" else "consumption.")
        return Row(f"pv/{name}", "/", text + end, Each.SITE, TimeBasis.DAY, _pv_ratio(pick), _with_pv)

    surplus = (
        "What PV could still give to flexible loads now: export at the connection plus flexible load already running, "
        "of one round of samples."
    )
    return (
        power("production", "Power of all PV points.", lambda s: s.production, None),
        power("self-use", "PV power used on the site now: production less export.", lambda s: s.self_use, None),
        power("surplus", surplus, lambda s: s.surplus, 0),
        ratio("self-consumption", "Self-use over production", lambda day: day.self_consumption),
        ratio("self-sufficiency", "Self-use over consumption", lambda day: day.self_sufficiency),
    )


ROWS: tuple[Row, ...] = (
    *(_point_row(kind) for kind in REGISTERS.values()),
    *_board_rows(TimeBasis.CLOSED),
    *_board_rows(TimeBasis.RUNNING),
    *_loading_rows(),
    _site_power("draw", "Power at the grid connection; negative while exporting.", lambda s: s.draw),
    _site_power("load", "Power of all loads: draw plus PV, backup and storage.", lambda s: s.load),
    *demand_rows(_site_itself),
    *_pv_rows(),
    *sharing_rows(),
    *forecast_rows(_site_itself, _with_pv),
    *display_rows(_with_pv),
)


_cached_entries: tuple[Site, tuple[Entry, ...]] | None = None


def catalogue(site: Site) -> tuple[Entry, ...]:
    """Every value topic of a site, in the order of the rows and of the plan."""
    global _cached_entries
    stored = _cached_entries
    if stored is None or stored[0] is not site:
        entries = tuple(_entry(site, row, name) for row in ROWS for name in row.present(site))
        stored = _cached_entries = (site, entries)
    return stored[1]


def _entry(site: Site, row: Row, name: str) -> Entry:
    topic = f"{site.prefix}/{site.name}/{row.pattern.replace('{' + row.each.value + '}', name)}"
    measured = row.unit == "W" and row.follows is not TimeBasis.FORECAST
    dead_band = float(site.limits.dead_band_w) if measured else 0.0
    believed_ms = believed_s(row.follows, site) * 1000
    valid_s = validity_s(row.follows, site)
    return Entry(
        topic, row, name, row.unit, valid_s, believed_ms=believed_ms, fallback=row.fallback, dead_band=dead_band
    )


def values(snapshot: Snapshot) -> tuple[Value, ...]:
    """All derived values of a moment, one per entry of `catalogue(snapshot.site)` and in its order."""
    return tuple(
        _judged(entry, entry.row.take(snapshot, entry.name), snapshot.now_ms) for entry in catalogue(snapshot.site)
    )


def power_places(site: Site) -> tuple[int, ...]:
    """Places in `catalogue(site)` of the powers of the site now that are sent before readings are stored, surplus first."""
    places = {entry.row.pattern: place for place, entry in enumerate(catalogue(site))}
    return tuple(places[pattern] for pattern in _POWERS if pattern in places)


def values_at(snapshot: Snapshot, places: Iterable[int]) -> Iterator[tuple[int, Value]]:
    """The derived values at some places of `catalogue(snapshot.site)`."""
    entries = catalogue(snapshot.site)
    for place in places:
        entry = entries[place]
        yield place, _judged(entry, entry.row.take(snapshot, entry.name), snapshot.now_ms)


def _judged(entry: Entry, taken: RowValue, now_ms: int) -> Value:
    """The value as it may be published: invalid when it is missing, too old, or no number that could be true."""
    value = taken.value
    if (
        value is None
        or taken.state is Quality.INVALID
        or now_ms - taken.at_ms > _believed_ms(entry, taken, now_ms)
        or not -LARGEST < value < LARGEST  # also refuses NaN
    ):
        return Value(entry, None, now_ms, Quality.INVALID)
    return Value(
        entry, value, taken.at_ms, taken.state, taken.text, taken.apart_ms, course=taken.course, step_ms=taken.step_ms
    )


def _believed_ms(entry: Entry, taken: RowValue, now_ms: int) -> int:
    """As long as values of its kind; a value of now of meters that send less often, as long as its samples are."""
    if entry.row.follows is not TimeBasis.NOW:
        return entry.believed_ms
    believed_ms, longest_ms = entry.believed_ms, entry.valid_s * 1000
    return Belief(now_ms, believed_ms, longest_ms, 0, 0).age_limit(taken.every_ms)
