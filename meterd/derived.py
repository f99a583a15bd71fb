"""The table of derived values.

`ROWS` names each derived value once: topic pattern, unit, meaning, validity, and the function that takes it out of a
`Snapshot`. Topics, catalogue, AsyncAPI document and README follow the rows. To add a value: one function, one row.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from meterd.reading import REGISTERS, Quality, RegisterKind
from meterd.row import MISSING, Each, Follows, Row, Taken
from meterd.share_rows import sharing_rows
from meterd.site import Board, PointState, Role, Site
from meterd.snapshot import BoardNow, Now, PowerNow, PvNow, Snapshot, SurplusNow

__all__ = [
    "LARGEST",
    "ROWS",
    "VERDICTS",
    "BoardNow",
    "Each",
    "Entry",
    "Follows",
    "Now",
    "PowerNow",
    "PvNow",
    "Row",
    "Snapshot",
    "SurplusNow",
    "Taken",
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


@dataclass(frozen=True, slots=True)
class Value:
    """One derived value at one moment. `value` is None exactly when `state` is invalid; energies are in Wh."""

    entry: Entry
    value: float | int | None
    at_ms: int
    state: Quality
    text: str = ""

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

# No power, voltage or energy of a low-voltage site comes near; a number beyond it is a fault upstream, not a value.
LARGEST = 1e15


def believed_s(follows: Follows, site: Site) -> int:
    """Seconds after its time stamp for which a value counts as known; older ones are published as invalid.

    A counter counts as known for two intervals, a closed interval until the next one must have closed.
    """
    if follows is Follows.COUNTER:
        return 2 * site.interval_s
    if follows in (Follows.CLOSED, Follows.DAY):
        return site.interval_s + 2 * site.limits.close_after_s
    return site.limits.power_max_age_s


def validity_s(follows: Follows, site: Site) -> int:
    """`ut` of a value: believed at most so long, and repeated so often that one lost heartbeat does no harm."""
    return believed_s(follows, site) + 2 * site.limits.publish_every_s


# --- how the rows take their values ---------------------------------------------------------------------------------


def _register_now(kind: RegisterKind) -> Callable[[Snapshot, str], Taken]:
    def counter(snapshot: Snapshot, point: str) -> Taken:
        return _taken(snapshot.counters.get((point, kind.obis)))

    def instant(snapshot: Snapshot, point: str) -> Taken:
        return _taken(snapshot.instant.get((point, kind.obis)))

    return counter if kind.cumulative else instant


def _taken(now: Now | None) -> Taken:
    # A value retained before the start has no known age: its time of arrival says nothing.
    if now is None or now.old:
        return MISSING
    return Taken(now.value, now.at_ms, Quality.GOOD)


def _board_quality(board: BoardNow) -> Quality:
    # Incomplete coverage weighs more than an estimated boundary: the sum itself lacks points.
    if board.covered < board.of or board.uncovered:
        return Quality.PARTIAL
    return Quality.ESTIMATED if board.estimated else Quality.GOOD


def _board(snapshot: Snapshot, name: str, follows: Follows) -> BoardNow | None:
    return (snapshot.closed if follows is Follows.CLOSED else snapshot.running).get(name)


def _board_energy(follows: Follows, pick: Callable[[BoardNow], int | None]) -> Callable[[Snapshot, str], Taken]:
    def take(snapshot: Snapshot, name: str) -> Taken:
        board = _board(snapshot, name, follows)
        if board is None:
            return MISSING
        energy_mwh = pick(board)
        at_ms = min(board.end_ms, snapshot.now_ms)
        # True division is rounded correctly: three decimals of it are the exact milliwatt-hours up to 2^43 Wh (8.8 TWh).
        return Taken(None if energy_mwh is None else energy_mwh / 1000, at_ms, _board_quality(board))

    return take


def _board_verdict(follows: Follows) -> Callable[[Snapshot, str], Taken]:
    def take(snapshot: Snapshot, name: str) -> Taken:
        board = _board(snapshot, name, follows)
        if board is None or board.verdict not in VERDICTS:
            return MISSING
        at_ms = min(board.end_ms, snapshot.now_ms)
        return Taken(VERDICTS[board.verdict], at_ms, _board_quality(board), board.verdict)

    return take


def _sum_power(pick: Callable[[Snapshot], PowerNow | SurplusNow]) -> Callable[[Snapshot, str], Taken]:
    def take(snapshot: Snapshot, _: str) -> Taken:
        now = pick(snapshot)
        return Taken(now.power_w, now.at_ms, now.state)

    return take


def _pv_ratio(pick: Callable[[PvNow], float | None]) -> Callable[[Snapshot, str], Taken]:
    def take(snapshot: Snapshot, _: str) -> Taken:
        day = snapshot.pv_day
        if day is None:
            return MISSING
        return Taken(pick(day), day.end_ms, Quality.ESTIMATED if day.estimated else Quality.GOOD)

    return take


def _same_time(snapshot: Snapshot, points: tuple[str, ...], register: str) -> tuple[float, int] | None:
    """Sum of one register over points and the oldest time in it; None if one is missing, old or of another time."""
    found = [snapshot.instant.get((point, register)) for point in points]
    known = [now for now in found if now is not None and not now.old]
    if len(known) < len(points) or not known:
        return None
    oldest, newest = min(now.at_ms for now in known), max(now.at_ms for now in known)
    if newest - oldest > snapshot.site.limits.same_time_s * 1000:
        return None
    return math.fsum(now.value for now in known), oldest


def _loading(snapshot: Snapshot, name: str) -> Taken:
    """Apparent power over rating where the plan reads reactive power at every feed, else active power over rating."""
    loaded = _plan(snapshot.site).loaded[name]
    active = _same_time(snapshot, loaded.feeds, "16.7.0")
    if active is None:
        return MISSING
    total, at_ms = abs(active[0]), active[1]
    if loaded.reactive:
        reactive = _same_time(snapshot, loaded.feeds, "131.7.0")
        if reactive is None:
            return MISSING
        total, at_ms = math.hypot(active[0], reactive[0]), min(at_ms, reactive[1])
    return Taken(total / loaded.rating_va, at_ms, Quality.GOOD)


def _phase_loading(register: str) -> Callable[[Snapshot, str], Taken]:
    def take(snapshot: Snapshot, name: str) -> Taken:
        loaded = _plan(snapshot.site).loaded[name]
        current = _same_time(snapshot, loaded.feeds, register)
        if current is None:
            return MISSING
        return Taken(abs(current[0]) / loaded.rated_a, current[1], Quality.GOOD)

    return take


# --- for which names a row exists -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Loaded:
    """A board with a rating whose counting feeds all have a power input; `registers` are read at every one of them."""

    feeds: tuple[str, ...]
    registers: frozenset[str]
    rating_va: float
    rated_a: float  # per phase, S / (sqrt(3) U)

    @property
    def reactive(self) -> bool:
        return "131.7.0" in self.registers


def _loaded_board(site: Site, board: Board, inputs: frozenset[tuple[str, str]]) -> _Loaded | None:
    feeds = tuple(p.name for p in site.points if p.board == board.name and p.role is Role.FEED and p.counts)
    if not board.rating_kva or not feeds:
        return None
    registers = frozenset(obis for obis in REGISTERS if all((feed, obis) in inputs for feed in feeds))
    rating_va = board.rating_kva * 1000
    return _Loaded(feeds, registers, rating_va, rating_va / (math.sqrt(3) * board.nominal_v))


@dataclass(frozen=True, slots=True)
class _Plan:
    """What the rows need to know of one plan, made once."""

    site: Site
    registers: Mapping[str, tuple[str, ...]]  # OBIS code -> points that are read
    loaded: Mapping[str, _Loaded]


_kept_plan: _Plan | None = None
_kept_entries: tuple[Site, tuple["Entry", ...]] | None = None


def _plan(site: Site) -> _Plan:
    """The plan of a site, kept for the last one: comparing or hashing 1,000 points every second would cost more."""
    global _kept_plan
    kept = _kept_plan
    if kept is None or kept.site is not site:
        kept = _kept_plan = _make_plan(site)
    return kept


def _make_plan(site: Site) -> _Plan:
    inputs = frozenset((i.point, i.register) for i in site.inputs)
    read = [p.name for p in site.points if p.state is not PointState.RETIRED]
    registers = {obis: tuple(name for name in read if (name, obis) in inputs) for obis in REGISTERS}
    loaded = {board.name: found for board in site.boards if (found := _loaded_board(site, board, inputs)) is not None}
    return _Plan(site, registers, loaded)


def _points_with(obis: str) -> Callable[[Site], tuple[str, ...]]:
    return lambda site: _plan(site).registers[obis]


def _boards_with(obis: str) -> Callable[[Site], tuple[str, ...]]:
    return lambda site: tuple(name for name, loaded in _plan(site).loaded.items() if obis in loaded.registers)


def _all_boards(site: Site) -> tuple[str, ...]:
    return tuple(board.name for board in site.boards)


def _site_itself(site: Site) -> tuple[str, ...]:
    return ("",)


def _with_pv(site: Site) -> tuple[str, ...]:
    return ("",) if any(p.role is Role.PV and p.state is not PointState.RETIRED for p in site.points) else ()


def _with_contract(site: Site) -> tuple[str, ...]:
    return ("",) if site.limits.contracted_w is not None else ()


def _allowed(snapshot: Snapshot) -> PowerNow:
    return snapshot.demand_allowed or PowerNow(None, snapshot.now_ms, Quality.INVALID, "the plan names no contract")


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
    "ct-primary": "Primary current of the transformers, or their ratio, as the meter is set to it.",
    "ct-secondary": "Secondary current of the transformers, as the meter is set to it.",
}


def _point_row(kind: RegisterKind) -> Row:
    follows = Follows.COUNTER if kind.cumulative else Follows.NOW
    pattern, present = f"point/{{point}}/{kind.name}", _points_with(kind.obis)
    return Row(pattern, kind.unit, _MEANINGS[kind.name], Each.POINT, follows, _register_now(kind), present)


def _board_rows(follows: Follows) -> tuple[Row, ...]:
    folder = "board/{board}/" + ("running/" if follows is Follows.RUNNING else "")
    of = f"of the {follows.value}"

    def energy(name: str, meaning: str, pick: Callable[[BoardNow], int | None]) -> Row:
        return Row(folder + name, "Wh", meaning, Each.BOARD, follows, _board_energy(follows, pick), _all_boards)

    words = f"Verdict {of}: inside (0), outside (1) or not computable (2); the number is that of /plain."
    return (
        energy("feed", f"Energy into the board {of}: feeds, PV, backup and storage.", lambda b: b.feed_mwh),
        energy("outgoing", f"Energy of the outgoing feeders {of}.", lambda b: b.outgoing_mwh),
        energy("residual", f"Feed side minus outgoing side {of}.", lambda b: b.residual_mwh),
        energy("band", f"Expanded uncertainty (k = 2) of the residual {of}.", lambda b: b.band_mwh),
        Row(folder + "verdict", "", words, Each.BOARD, follows, _board_verdict(follows), _all_boards, fallback=2),
    )


def _loading_rows() -> tuple[Row, ...]:
    whole = (
        "Loading of the transformer: apparent power of the feeds over its rating where reactive power is read at every "
        "feed, otherwise active power over its rating, which is less."
    )
    phase = "Loading of phase {}: current of the feeds, added as magnitudes, over the rated current at nominal voltage."
    rows = [Row("board/{board}/loading", "/", whole, Each.BOARD, Follows.NOW, _loading, _boards_with("16.7.0"))]
    for name, obis in (("l1", "31.7.0"), ("l2", "51.7.0"), ("l3", "71.7.0")):
        pattern, words = f"board/{{board}}/loading-{name}", phase.format(name.upper())
        rows.append(Row(pattern, "/", words, Each.BOARD, Follows.NOW, _phase_loading(obis), _boards_with(obis)))
    return tuple(rows)


def _site_power(name: str, meaning: str, pick: Callable[[Snapshot], PowerNow]) -> Row:
    return Row(f"site/{name}", "W", meaning, Each.SITE, Follows.NOW, _sum_power(pick), _site_itself)


def _demand(name: str, meaning: str, pick: Callable[[Snapshot], PowerNow]) -> Row:
    return Row(f"site/{name}", "W", meaning, Each.SITE, Follows.RUNNING, _sum_power(pick), _site_itself)


def _pv_rows() -> tuple[Row, ...]:
    def power(name: str, meaning: str, pick: Callable[[Snapshot], PowerNow | SurplusNow], fallback: int | None) -> Row:
        return Row(f"pv/{name}", "W", meaning, Each.SITE, Follows.NOW, _sum_power(pick), _with_pv, fallback)

    def ratio(name: str, meaning: str, pick: Callable[[PvNow], float | None]) -> Row:
        words = f"{meaning} of the local day so far, import and export apart as counted in each interval;"
        end = " undefined (invalid) without " + ("production." if name == "self-consumption" else "consumption.")
        return Row(f"pv/{name}", "/", words + end, Each.SITE, Follows.DAY, _pv_ratio(pick), _with_pv)

    surplus = (
        "What PV could still give to flexible loads now: export at the connection plus flexible load already running, "
        "of the same instant."
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
    *_board_rows(Follows.CLOSED),
    *_board_rows(Follows.RUNNING),
    *_loading_rows(),
    _site_power("draw", "Power at the grid connection; negative while exporting.", lambda s: s.draw),
    _site_power("load", "Power of all loads: draw plus PV, backup and storage.", lambda s: s.load),
    _demand("demand", "Mean power of the running interval so far.", lambda s: s.demand),
    _demand(
        "demand-projection", "Mean power of the running interval if the draw stays.", lambda s: s.demand_projection
    ),
    Row(
        "site/demand-allowed",
        "W",
        "Mean power that the rest of the running interval may have within the contracted power; 0 = it is passed already.",
        Each.SITE,
        Follows.RUNNING,
        _sum_power(_allowed),
        _with_contract,
    ),
    *_pv_rows(),
    *sharing_rows(),
)


def catalogue(site: Site) -> tuple[Entry, ...]:
    """Every value topic of a site, in the order of the rows and of the plan."""
    global _kept_entries
    kept = _kept_entries
    if kept is None or kept[0] is not site:
        entries = tuple(_entry(site, row, name) for row in ROWS for name in row.present(site))
        kept = _kept_entries = (site, entries)
    return kept[1]


def _entry(site: Site, row: Row, name: str) -> Entry:
    topic = f"{site.prefix}/{site.name}/{row.pattern.replace('{' + row.each.value + '}', name)}"
    dead_band = float(site.limits.dead_band_w) if row.unit == "W" else 0.0
    believed_ms = believed_s(row.follows, site) * 1000
    return Entry(topic, row, name, row.unit, validity_s(row.follows, site), believed_ms, row.fallback, dead_band)


def values(snapshot: Snapshot) -> tuple[Value, ...]:
    """All derived values of a moment, one per entry of `catalogue(snapshot.site)` and in its order."""
    return tuple(
        _judged(entry, entry.row.take(snapshot, entry.name), snapshot.now_ms) for entry in catalogue(snapshot.site)
    )


def _judged(entry: Entry, taken: Taken, now_ms: int) -> Value:
    """The value as it may be published: invalid when it is missing, too old, or no number that could be true."""
    value = taken.value
    if (
        value is None
        or taken.state is Quality.INVALID
        or now_ms - taken.at_ms > entry.believed_ms
        or not -LARGEST < value < LARGEST  # also refuses NaN
    ):
        return Value(entry, None, now_ms, Quality.INVALID)
    return Value(entry, value, taken.at_ms, taken.state, taken.text)
