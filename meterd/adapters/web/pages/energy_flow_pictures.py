"""The energy flow of a range as people see it: bands with their words, and the same bands as rows of a table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meterd.adapters.texts import wording
from meterd.adapters.web.common import title_of
from meterd.adapters.web.pages.energy_values import EnergyView, FlowLine
from meterd.core.energy.energy_flow import Flow, FlowKind
from meterd.core.model.plan import Site
from meterd.core.reports.flow_bars import FlowBar, comes_into, flow_bars
from meterd.core.reports.flow_chart import FlowChart, Ribbon, flow_chart

ROOM_FOR, LONGEST_NAME = (
    30,
    42,
)  # letters beside a band of the energy flow; with longer names it becomes wider up to here
MOST_IN_ROW, MOST_ALONE = 36, 44  # letters of a name on a phone: beside its energy, and on a line of its own
LETTER = 8  # units of the drawing, at most
THIN = 0.7  # height below which a band is a line


@dataclass(frozen=True, slots=True)
class FlowWords:
    """The words of one end of a band."""

    x: float
    y: float
    anchor: str
    name: str
    energy: str
    link: str
    style: str


@dataclass(frozen=True, slots=True)
class FlowPicture:
    """The energy flow: paths of bands, nodes and words. `left` is the room for long names at each side, beyond the width."""

    left: int
    width: int
    height: int
    bands: tuple[tuple[str, str, str], ...]  # path, classes, words
    nodes: tuple[tuple[float, float, float, str], ...]
    words: tuple[FlowWords, ...]


@dataclass(frozen=True, slots=True)
class BarRow:
    """One row of the energy flow on a phone: words, energy, and a bar of a class of the style."""

    bar: FlowBar
    name: str
    energy: str
    style: str


@dataclass(frozen=True, slots=True)
class BarsPicture:
    """The energy flow as bars below each other."""

    width: int
    height: int
    rows: tuple[BarRow, ...]


def _drawn_flows(view: EnergyView) -> tuple[list[FlowLine], list[Flow]]:
    lines = [line for line in view.flows if line.energy_mwh != 0 or line.kind in ("load", "supply")]
    return lines, [Flow(FlowKind(line.kind), line.board, line.energy_mwh, line.point, line.into) for line in lines]


def bars_picture(view: EnergyView, site: Site, language: str) -> BarsPicture | None:
    """The energy flow for a phone."""
    lines, flows = _drawn_flows(view)
    drawn = flow_bars(site, flows)
    if drawn is None:
        return None
    titles = {board.name: board.title or board.name for board in site.boards}
    rows = []
    for bar in drawn.bars:
        line = None if bar.flow is None else lines[bar.flow]
        name, style = titles[bar.board], "board"
        if line is not None:
            name, style = _flow_name(line, site, titles, language), line.kind
            if line.into == bar.board:
                name = titles[line.board]
            if line.kind in ("source", "supply", "load"):
                way = "from" if comes_into(flows[bar.flow or 0], bar.board) else "to"
                name = wording.say(language, f"energy.flow_{way}", name=name)
        rows.append(
            BarRow(
                bar,
                _short(name, MOST_ALONE if line is None else MOST_IN_ROW),
                wording.energy(language, bar.energy_mwh, [line.energy_mwh for line in lines]),
                style,
            )
        )
    return BarsPicture(drawn.width, drawn.height, tuple(rows))


def flow_picture(view: EnergyView, site: Site, language: str) -> FlowPicture | None:
    """The bands; None if no energy is known."""
    lines, flows = _drawn_flows(view)
    drawn = flow_chart(site, flows)
    if drawn is None:
        return None
    titles = {board.name: board.title or board.name for board in site.boards}
    names = [_flow_name(line, site, titles, language) for line in lines]
    energies = wording.energies(language, [line.energy_mwh for line in lines])
    longest = max((min(len(name), LONGEST_NAME) for name in names), default=0)
    return FlowPicture(
        max(0, longest - ROOM_FOR) * LETTER,
        drawn.width,
        drawn.height,
        tuple(
            (_ribbon(r), f"band {lines[r.flow].kind}{_thin(r, lines[r.flow])}", f"{names[r.flow]}: {energies[r.flow]}")
            for r in drawn.ribbons
        ),
        tuple((n.x, n.y, max(n.height, 1.0), n.side) for n in drawn.nodes),
        tuple(_flow_words(drawn, lines, list(zip(names, energies, strict=True)), titles, view=view)),
    )  # fmt: skip


def _thin(ribbon: Ribbon, line: FlowLine) -> str:
    """The classes of a band without a width: of a small energy, or of one that is missing."""
    return "" if ribbon.height >= THIN else " thin unknown" if line.energy_mwh is None else " thin"


def _short(text: str, longest: int = LONGEST_NAME) -> str:
    """A name that has room beside its band."""
    return text if len(text) <= longest else text[: longest - 1].rstrip() + "…"


def _flow_name(line: FlowLine, site: Site, titles: Mapping[str, str], language: str) -> str:
    if line.kind in ("residual", "excess"):
        return wording.say(language, f"energy.flow_{line.kind}")
    if line.kind == "return":
        return wording.say(language, "energy.flow_return", name=title_of(site, line.point))
    if line.into:
        return titles[line.into]
    return title_of(site, line.point) if line.point else wording.say(language, "energy.flow_restricted")


def _ribbon(r: Ribbon) -> str:
    """A band with level ends; one without a width is a line."""
    m = r.middle
    upper = f"M{r.x1:g},{r.y1:g}C{m:g},{r.y1:g} {m:g},{r.y2:g} {r.x2:g},{r.y2:g}"
    if r.height < THIN:
        return upper
    low1, low2 = r.y1 + r.height, r.y2 + r.height
    return f"{upper}V{low2:g}C{m:g},{low2:g} {m:g},{low1:g} {r.x1:g},{low1:g}Z"


def _flow_words(
    drawn: FlowChart, lines: Sequence[FlowLine], texts: Sequence[tuple[str, str]], titles: Mapping[str, str], *,
    view: EnergyView,
) -> list[FlowWords]:  # fmt: skip
    results = []
    for node in drawn.nodes:
        y = round(node.y + node.height / 2 + 4, 1)
        if node.flow is None:
            link = f"/balance?board={node.board}"
            results.append(FlowWords(node.x + 7, node.y - 5, "middle", titles[node.board], "", link, "board"))
            continue
        line = lines[node.flow]
        x, anchor = (node.x - 6, "end") if node.side == "left" else (node.x + 20, "start")
        name, energy = texts[node.flow]
        results.append(FlowWords(x, y, anchor, _short(name), energy, _flow_link(line, view), line.kind))
    return results


def _flow_link(line: FlowLine, view: EnergyView) -> str:
    """To what made the figure where it is one of a stored period, else to the point over the same range."""
    whole = view.period and view.known_until_ms == view.until_ms and not view.begins
    if not line.point:
        return f"/balance?board={line.board}&period={view.period}&at={view.from_ms}" if view.period else ""
    if whole:
        register = "2.8.0" if line.kind == "return" else "1.8.0"
        return f"/why?point={line.point}&register={register}&period={view.period}&start={view.from_ms}"
    return "/energy?" + view.query.address(of=[f"point:{line.point}"], picture="lines")


@dataclass(frozen=True, slots=True)
class FlowRow:
    """A band as a row of a table."""

    name: str
    board: str
    energy_mwh: int | None
    link: str


def flow_rows(view: EnergyView, site: Site, language: str) -> list[FlowRow]:
    """Every band as a row."""
    titles = {board.name: board.title or board.name for board in site.boards}
    return [
        FlowRow(_flow_name(line, site, titles, language), line.board, line.energy_mwh, _flow_link(line, view))
        for line in view.flows
    ]
