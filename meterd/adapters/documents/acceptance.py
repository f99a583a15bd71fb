"""Acceptance of a point or a board: what the plan says, what was read, what is checked on site, and who signs."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from meterd.adapters.documents.cells import kwh, none_or, titled
from meterd.adapters.documents.model import (
    Block,
    Cell,
    Column,
    Document,
    Facts,
    Heading,
    Moment,
    Number,
    Sign,
    Table,
    Text,
)
from meterd.adapters.documents.plan_cells import (
    arrow,
    energy_wh,
    fitted_now,
    fitted_since,
    or_unknown,
    ratio,
    register_name,
    shown_at,
    topic,
    unit_of,
)
from meterd.adapters.documents.texts import Words
from meterd.core.model.plan import Board, Point, PointState, Role, Site
from meterd.core.model.reading import POWER, REGISTERS
from meterd.core.model.results import BalanceRow
from meterd.core.registers.ct_factor import present_ratios, ratio_at

# in the order in which they are done; (key, needs current transformers)
CHECKS = (
    ("label", False), ("serial", False), ("class", False), ("ratio", True), ("direction", True), ("short", True),
    ("phase", False), ("sign", False), ("power", False), ("register", False), ("pulse", False), ("switch", False),
    ("time", False), ("seal", False),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class NewestReading:
    """The newest reading of one register: time, and value in milli-units as shown (counts) or in the base unit."""

    at_ms: int
    value: float


@dataclass(frozen=True, slots=True)
class AcceptanceData:
    """What the store knows: newest readings by point and register, and the newest closed day of a board."""

    readings: Mapping[tuple[str, str], NewestReading]
    day: BalanceRow | None = None
    doubts: tuple[str, ...] = ()  # open findings about units and directions, in the language of the paper


@dataclass(frozen=True, slots=True)
class PlanRevision:
    """The site with the revision of its plan."""

    site: Site
    revision: str
    program: str


def point_document(revision: PlanRevision, point: Point, data: AcceptanceData, lang: str) -> Document:
    """The sheet of one point."""
    words = Words(lang)
    title = words("acceptance-point", point=titled(point))
    blocks = (
        *_safety(words), *_identity(revision.site, point, words), *_instrument(revision.site, point, words),
        *_readings(revision.site, point, data, words), *_doubts(data, words),
        *_checks(revision.site, point, words), *_result(words),
    )  # fmt: skip
    return _document(revision, title, words, blocks)


def board_document(revision: PlanRevision, board: Board, data: AcceptanceData, lang: str) -> Document:
    """The sheet of a board: its points in one list, its balance, and who signs."""
    words = Words(lang)
    title = words("acceptance-board", board=f"{board.name}: {board.title}" if board.title else board.name)
    blocks = (
        *_safety(words),
        *_board_points(revision.site, board, words),
        *_day(data.day, words),
        *_doubts(data, words),
        *_result(words),
    )
    return _document(revision, title, words, blocks)


def _document(revision: PlanRevision, title: str, words: Words, blocks: tuple[Block, ...]) -> Document:
    foot = words("foot", site=revision.site.name, plan=revision.revision[:12], program=revision.program)
    return Document(title, words("acceptance"), words.lang, revision.site.zone, foot, words.pattern("page"), blocks)


def _safety(words: Words) -> Iterator[Block]:
    yield Heading(words("safety"))
    more = ("screen", "protective", "billing", "local")  # the others of design.md 11 are in the rules themselves
    yield Text(" ".join((words("safety-text"), *(words(f"caution-{name}") for name in more))), "caution")
    yield Facts(words("safety"), ((words("safety-person"), ""), (words("safety-permit"), "")))


def _identity(site: Site, point: Point, words: Words) -> Iterator[Block]:
    yield Heading(words("identity"))
    pairs: list[tuple[str, Cell]] = [
        (words("point"), titled(point)),
        (words("designation"), or_unknown(point.designation, words)),
        (words("place"), or_unknown(point.place, words)),
        (words("board"), point.board),
        (words("role"), words(f"role-{point.role}")),
        (words("arrow"), arrow(point, words)),
        (words("state"), words(f"state-{point.state}")),
        (words("rating"), words("unknown") if point.rating_a is None else Number(point.rating_a, 0, "A")),
        (words("topic"), topic(site, point)),
    ]
    if point.below:
        pairs.insert(5, (words("below-what"), point.below))
    if point.tenant:
        pairs.append((words("tenant"), point.tenant))
    yield Facts(words("identity"), tuple(pairs))


def _instrument(site: Site, point: Point, words: Words) -> Iterator[Block]:
    yield Heading(words("instrument"))
    instrument = fitted_now(site, point.name)
    if instrument is None:
        yield Text(words("no-instrument"))
    else:
        pairs: list[tuple[str, Cell]] = [
            (words("serial"), or_unknown(instrument.serial, words)),
            (words("meter-class"), or_unknown(instrument.meter_class, words)),
            (words("ct-ratio"), ratio(instrument, words)),
            (words("ct-class"), or_unknown(instrument.ct_class, words) if instrument.ct_primary_a else words("direct")),
            (words("fitted"), fitted_since(instrument) or words("unknown")),
        ]
        more: tuple[tuple[str, Cell], ...] = (
            ("ct-set", instrument.ct_set or ""),
            ("pulse", energy_wh(instrument.pulse_wh)),
            ("width", energy_wh(instrument.register_max_wh)),
            ("resolution", energy_wh(instrument.resolution_wh)),
            ("opening", shown_at(instrument.opening)),
            ("remark", instrument.note),
        )
        pairs += [(words(key), value) for key, value in more if value != ""]
        yield Facts(words("instrument"), tuple(pairs))
    yield Heading(words("inputs"), 2)
    columns = (
        Column(words("register"), 46), Column(words("input-source"), 24), Column(words("input-address"), 56),
        Column(words("input-field"), 36), Column(words("input-unit"), 20),
    )  # fmt: skip
    rows = tuple(
        (register_name(i.register), i.source, i.address, i.field, unit_of(i))
        for i in site.inputs
        if i.point == point.name
    )
    yield none_or(Table(words("inputs"), columns, rows), words)


def _readings(site: Site, point: Point, data: AcceptanceData, words: Words) -> Iterator[Block]:
    yield Heading(words("readings"))
    yield Text(words("readings-note"), "note")
    columns = (
        Column(words("register"), 52), Column(words("reading-value"), 38, "right"), Column(words("reading-at"), 34),
        Column(words("display-value"), 56),
    )  # fmt: skip
    registers = [i.register for i in site.inputs_of(point.name)]
    rows = tuple(_reading(code, data.readings.get((point.name, code)), words) for code in registers)
    yield none_or(Table(words("readings"), columns, rows), words)
    power = data.readings.get((point.name, POWER))
    if power is not None:
        watts = power.value * ratio_at(present_ratios(site), (point.name, POWER), power.at_ms)
        sign = words("sign-minus" if watts < 0 else "sign-plus")
        yield Facts(words("sign-now"), ((words("sign-now"), f"{sign}, {words.number(watts / 1000)} kW"),))


def _reading(code: str, reading: NewestReading | None, words: Words) -> tuple[Cell, ...]:
    if reading is None:
        return (register_name(code), words("no-reading"), "", "")
    kind = REGISTERS.get(code)
    if kind is not None and kind.cumulative:
        return (register_name(code), Number(reading.value / 1_000_000, 3, "k" + kind.unit), Moment(reading.at_ms), "")
    return (register_name(code), Number(reading.value, 2, "" if kind is None else kind.unit), Moment(reading.at_ms), "")


def _doubts(data: AcceptanceData, words: Words) -> Iterator[Block]:
    """What the numbers say against unit, ratio or direction; nothing where they say nothing."""
    if data.doubts:
        yield Heading(words("doubts"))
        yield from (Text(text, "caution") for text in data.doubts)


def _checks(site: Site, point: Point, words: Words) -> Iterator[Block]:
    yield Heading(words("checks"))
    columns = (
        Column(words("check-no"), 9, "right"), Column(words("check"), 62), Column(words("expected"), 46),
        Column(words("found"), 34), Column(words("passed"), 19), Column(words("initials"), 14),
    )  # fmt: skip
    instrument = fitted_now(site, point.name)
    by_transformer = instrument is None or instrument.ct_primary_a is not None
    wanted = [key for key, needs in CHECKS if by_transformer or not needs]
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (Number(i + 1, 0), words(f"check-{key}"), _expected(key, site, point, words), "", "", "")
        for i, key in enumerate(wanted)
    )
    yield Table(words("checks"), columns, rows, tall=True)


def _expected(key: str, site: Site, point: Point, words: Words) -> str:
    instrument = fitted_now(site, point.name)
    if key == "serial":
        return or_unknown(instrument.serial if instrument else "", words)
    if key == "class":
        classes = (instrument.meter_class, instrument.ct_class) if instrument else (None, None)
        return " / ".join(
            or_unknown(word, words) for word in classes[: 2 if instrument and instrument.ct_primary_a else 1]
        )
    if key == "ratio":
        return words("check-ratio-meter", ratio=ratio(instrument, words)) if instrument else words("unknown")
    into = point.role in (Role.FEED, Role.PV, Role.BACKUP, Role.STORAGE)
    values = {
        "point": point.name,
        "designation": point.designation,
        "sign": words("check-sign-feed" if into else "check-sign-feeder"),
        "seconds": site.limits.same_time_s,
    }
    return words(f"check-{key}-is", **values)


def _result(words: Words) -> Iterator[Block]:
    yield Heading(words("result"))
    columns = (Column(words("result"), 60), Column(words("tick"), 20), Column(words("remarks"), 100))
    rows: Sequence[tuple[Cell, ...]] = [
        (words(f"result-{item}"), "", "") for item in ("accepted", "remarks", "refused")
    ]
    yield Table(words("result"), columns, tuple(rows), tall=True)
    yield Sign(
        (words("sign-tester"), words("sign-accepter")),
        (words("sign-name"), words("sign-date"), words("sign-signature")),
    )


def _board_points(site: Site, board: Board, words: Words) -> Iterator[Block]:
    yield Heading(words("board-points"))
    columns = (
        Column(words("point"), 48), Column(words("designation"), 22), Column(words("role"), 20), Column(words("state"), 21),
        Column(words("serial"), 22), Column(words("ct-ratio"), 24), Column(words("points-checked"), 24),
    )  # fmt: skip
    rows = []
    for point in site.points:
        if point.board == board.name and point.state is not PointState.RETIRED:
            instrument = fitted_now(site, point.name)
            cells = (titled(point), point.designation, words(f"role-{point.role}"), words(f"state-{point.state}"))
            rows.append(
                (
                    *cells,
                    instrument.serial if instrument else "",
                    ratio(instrument, words) if instrument else words("unknown"),
                    "",
                )
            )
    yield none_or(Table(words("board-points"), columns, tuple(rows)), words)


def _day(row: BalanceRow | None, words: Words) -> Iterator[Block]:
    yield Heading(words("board-balance"))
    if row is None:
        yield Text(words("no-balance"))
        return
    columns = (
        Column(words("day"), 24), Column(words("feed"), 28, "right"), Column(words("outgoing"), 28, "right"),
        Column(words("residual"), 24, "right"), Column(words("band"), 24, "right"), Column(words("verdict"), 30),
        Column(words("coverage"), 24),
    )  # fmt: skip
    cells = (
        Moment(row.start_ms, date_only=True), kwh(row.feed, words), kwh(row.outgoing, words), kwh(row.residual, words),
        kwh(row.band, words), words(f"verdict-{row.verdict.replace(' ', '-')}"),
        words("of", count=row.covered, all=row.of),
    )  # fmt: skip
    yield Table(words("board-balance"), columns, (cells,))
    if row.missing:
        yield Text(words("board-missing", points=", ".join(row.missing)))
    if row.uncovered:
        yield Text(words("board-not-live", points=", ".join(row.uncovered)))
