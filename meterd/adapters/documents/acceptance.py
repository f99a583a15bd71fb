"""Acceptance of a point or a board: what the plan says, what was read, what is checked on site, and who signs."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from meterd.adapters.documents.cells import kwh, none_or, titled, titled_points
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
    RATIO,
    arrow,
    energy_wh,
    fitted_now,
    fitted_since,
    opening_readings,
    or_unknown,
    ratio,
    register_name,
    topic,
    unit_of,
)
from meterd.adapters.documents.texts import Texts
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
    texts = Texts(lang)
    title = texts("acceptance-point", point=titled(point))
    blocks = (
        *_safety(texts), *_identity(revision.site, point, texts), *_instrument(revision.site, point, texts),
        *_readings(revision.site, point, data, texts), *_doubts(data, texts),
        *_checks(revision.site, point, texts), *_result(texts),
    )  # fmt: skip
    return _document(revision, title, texts, blocks)


def board_document(revision: PlanRevision, board: Board, data: AcceptanceData, lang: str) -> Document:
    """The sheet of a board: its points in one list, its balance, and who signs."""
    texts = Texts(lang)
    title = texts("acceptance-board", board=_board_words(board))
    blocks = (
        *_safety(texts),
        *_board_points(revision.site, board, texts),
        *_day(data.day, revision.site, texts),
        *_doubts(data, texts),
        *_result(texts),
    )
    return _document(revision, title, texts, blocks)


def _board_words(board: Board) -> str:
    return f"{board.name}: {board.title}" if board.title else board.name


def _document(revision: PlanRevision, title: str, texts: Texts, blocks: tuple[Block, ...]) -> Document:
    foot = texts("foot", site=revision.site.name, plan=revision.revision[:12], program=revision.program)
    return Document(title, texts("acceptance"), texts.lang, revision.site.zone, foot, texts.pattern("page"), blocks)


def _safety(texts: Texts) -> Iterator[Block]:
    yield Heading(texts("safety"))
    more = ("screen", "protective", "billing", "local")  # the others of design.md 11 are in the rules themselves
    yield Text(" ".join((texts("safety-text"), *(texts(f"caution-{name}") for name in more))), "caution")
    yield Facts(texts("safety"), ((texts("safety-person"), ""), (texts("safety-permit"), "")))


def _identity(site: Site, point: Point, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("identity"))
    pairs: list[tuple[str, Cell]] = [
        (texts("point"), titled(point)),
        (texts("designation"), or_unknown(point.designation, texts)),
        (texts("place"), or_unknown(point.place, texts)),
        (texts("board"), _board_words(next(board for board in site.boards if board.name == point.board))),
        (texts("role"), texts(f"role-{point.role}")),
        (texts("arrow"), arrow(point, texts)),
        (texts("state"), texts(f"state-{point.state}")),
        (texts("rating"), texts("unknown") if point.rating_a is None else Number(point.rating_a, 0, "A")),
        (texts("topic"), topic(site, point)),
    ]
    if point.below:
        pairs.insert(5, (texts("below-what"), titled(site.point(point.below))))
    if point.tenant:
        pairs.append((texts("tenant"), point.tenant))
    yield Facts(texts("identity"), tuple(pairs))


def _instrument(site: Site, point: Point, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("instrument"))
    instrument = fitted_now(site, point.name)
    if instrument is None:
        yield Text(texts("no-instrument"))
    else:
        pairs: list[tuple[str, Cell]] = [
            (texts("serial"), or_unknown(instrument.serial, texts)),
            (texts("meter-class"), or_unknown(instrument.meter_class, texts)),
            (texts("ct-ratio"), ratio(instrument, texts)),
            (texts("ct-class"), or_unknown(instrument.ct_class, texts) if instrument.ct_primary_a else texts("direct")),
            (texts("fitted"), fitted_since(instrument) or texts("unknown")),
        ]
        more: tuple[tuple[str, Cell], ...] = (
            ("ct-set", instrument.ct_set or ""),
            ("pulse", energy_wh(instrument.pulse_wh)),
            ("width", energy_wh(instrument.register_max_wh)),
            ("resolution", energy_wh(instrument.resolution_wh)),
            ("opening", opening_readings(instrument, texts)),
            ("remark", instrument.note),
        )
        pairs += [(texts(key), value) for key, value in more if value != ""]
        yield Facts(texts("instrument"), tuple(pairs))
    yield Heading(texts("inputs"), 2)
    columns = (
        Column(texts("register"), 46), Column(texts("input-source"), 24), Column(texts("input-address"), 56),
        Column(texts("input-field"), 36), Column(texts("input-unit"), 20),
    )  # fmt: skip
    rows = tuple(
        (register_name(i.register, texts), i.source, i.address, i.field, unit_of(i, texts))
        for i in site.inputs
        if i.point == point.name
    )
    yield none_or(Table(texts("inputs"), columns, rows), texts)


def _readings(site: Site, point: Point, data: AcceptanceData, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("readings"))
    yield Text(texts("readings-note"), "note")
    columns = (
        Column(texts("register"), 50), Column(texts("reading-value"), 50, "right"), Column(texts("reading-at"), 34),
        Column(texts("display-value"), 46),
    )  # fmt: skip
    registers = [i.register for i in site.inputs_of(point.name)]
    rows = [_reading(code, data.readings.get((point.name, code)), texts) for code in registers]
    power = data.readings.get((point.name, POWER))
    if power is not None:  # a row of the table: below it, it could stand alone on the next page
        watts = power.value * ratio_at(present_ratios(site), (point.name, POWER), power.at_ms)
        sign = texts("sign-minus" if watts < 0 else "sign-plus")
        rows.append((texts("sign-now"), f"{sign}, {texts.number(watts / 1000)} kW", Moment(power.at_ms), ""))
    yield none_or(Table(texts("readings"), columns, tuple(rows)), texts)


def _reading(code: str, reading: NewestReading | None, texts: Texts) -> tuple[Cell, ...]:
    if reading is None:
        return (register_name(code, texts), texts("no-reading"), "", "")
    kind = REGISTERS.get(code)
    if kind is not None and kind.cumulative:
        return (
            register_name(code, texts),
            Number(reading.value / 1_000_000, 3, "k" + kind.unit),
            Moment(reading.at_ms),
            "",
        )
    unit = "" if kind is None or kind.unit == RATIO else kind.unit
    return (register_name(code, texts), Number(reading.value, 2, unit), Moment(reading.at_ms), "")


def _doubts(data: AcceptanceData, texts: Texts) -> Iterator[Block]:
    """What the numbers say against unit, ratio or direction; nothing where they say nothing."""
    if data.doubts:
        yield Heading(texts("doubts"))
        yield from (Text(text, "caution") for text in data.doubts)


def _checks(site: Site, point: Point, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("checks"))
    columns = (
        Column(texts("check-no"), 8, "right"), Column(texts("check"), 80), Column(texts("expected"), 46),
        Column(texts("found"), 26), Column(texts("passed"), 17), Column(texts("initials"), 14),
    )  # fmt: skip
    instrument = fitted_now(site, point.name)
    by_transformer = instrument is None or instrument.ct_primary_a is not None
    wanted = [key for key, needs in CHECKS if by_transformer or not needs]
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (Number(i + 1, 0), texts(f"check-{key}"), _expected(key, site, point, texts), "", "", "")
        for i, key in enumerate(wanted)
    )
    yield Table(texts("checks"), columns, rows, tall=True)


def _expected(key: str, site: Site, point: Point, texts: Texts) -> str:
    instrument = fitted_now(site, point.name)
    if key == "serial":
        return or_unknown(instrument.serial if instrument else "", texts)
    if key == "class":
        classes = (instrument.meter_class, instrument.ct_class) if instrument else (None, None)
        return " / ".join(
            or_unknown(word, texts) for word in classes[: 2 if instrument and instrument.ct_primary_a else 1]
        )
    if key == "ratio":
        return texts("check-ratio-meter", ratio=ratio(instrument, texts)) if instrument else texts("unknown")
    into = point.role in (Role.FEED, Role.PV, Role.BACKUP, Role.STORAGE)
    values = {
        "point": point.name,
        "designation": point.designation,
        "sign": texts("check-sign-feed" if into else "check-sign-feeder"),
        "seconds": site.limits.same_time_s,
    }
    return texts(f"check-{key}-is", **values)


def _result(texts: Texts) -> Iterator[Block]:
    yield Heading(texts("result"))
    columns = (Column(texts("result"), 60), Column(texts("tick"), 20), Column(texts("remarks"), 100))
    rows: Sequence[tuple[Cell, ...]] = [
        (texts(f"result-{item}"), "", "") for item in ("accepted", "remarks", "refused")
    ]
    yield Table(texts("result"), columns, tuple(rows), tall=True)
    yield Sign(
        (texts("sign-tester"), texts("sign-accepter")),
        (texts("sign-name"), texts("sign-date"), texts("sign-signature")),
    )


def _board_points(site: Site, board: Board, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("board-points"))
    columns = (
        Column(texts("point"), 48), Column(texts("designation"), 22), Column(texts("role"), 20), Column(texts("state"), 21),
        Column(texts("serial"), 22), Column(texts("ct-ratio"), 24), Column(texts("points-checked"), 24),
    )  # fmt: skip
    rows = []
    for point in site.points:
        if point.board == board.name and point.state is not PointState.RETIRED:
            instrument = fitted_now(site, point.name)
            cells = (titled(point), point.designation, texts(f"role-{point.role}"), texts(f"state-{point.state}"))
            rows.append(
                (
                    *cells,
                    instrument.serial if instrument else "",
                    ratio(instrument, texts) if instrument else texts("unknown"),
                    "",
                )
            )
    yield none_or(Table(texts("board-points"), columns, tuple(rows)), texts)


def _day(row: BalanceRow | None, site: Site, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("board-balance"))
    if row is None:
        yield Text(texts("no-balance"))
        return
    columns = (
        Column(texts("day"), 24), Column(texts("feed"), 28, "right"), Column(texts("outgoing"), 28, "right"),
        Column(texts("residual"), 24, "right"), Column(texts("band"), 24, "right"), Column(texts("verdict"), 30),
        Column(texts("coverage"), 24),
    )  # fmt: skip
    cells = (
        Moment(row.start_ms, date_only=True), kwh(row.feed, texts), kwh(row.outgoing, texts), kwh(row.residual, texts),
        kwh(row.band, texts), texts(f"verdict-{row.verdict.replace(' ', '-')}"),
        texts("of", count=row.covered, all=row.of),
    )  # fmt: skip
    yield Table(texts("board-balance"), columns, (cells,))
    if row.missing:
        yield Text(texts("board-missing", points=titled_points(row.missing, site)))
    if row.uncovered:
        yield Text(texts("board-not-live", points=titled_points(row.uncovered, site)))
