"""The live summary of a terminal: balances, surplus, photovoltaics and findings of one snapshot. Pure.

Every statement is in words and figures; colour only repeats it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from meterd.core.model.finding import Finding
from meterd.core.model.periods import from_ms
from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import BoardNow, PowerNow, Snapshot
from meterd.core.pv.figures import NO_PATH

CAUTION = (
    "Simulated site. With real meters: work on them is for qualified people with the board dead, a current-transformer "
    "secondary is never opened under load, a value on a screen never proves a part dead, photovoltaics can feed back. "
    "meterd is no protective device, a share is no interlock, and billing needs legally approved meters."
)
MISSING = "missing"
LONGEST_LIST = 6  # findings and names shown before "and n more"
COLOUR = {"inside": "green", "outside": "bold red", "not computable": "yellow"}


@dataclass(frozen=True, slots=True)
class Rates:
    """Readings taken in and messages sent out: per second now, and since the start."""

    received_per_s: float = 0.0
    published_per_s: float = 0.0
    received: int = 0
    published: int = 0


def render(snapshot: Snapshot, rates: Rates, broker_line: str) -> RenderableType:
    """What the terminal shows of a snapshot. `broker_line` is the command that shows the derived values."""
    site = snapshot.site
    clock = from_ms(snapshot.now_ms).astimezone(ZoneInfo(site.zone))
    parts: list[RenderableType] = [
        Rule(Text(_clean(f"{site.title or site.name}   {clock:%Y-%m-%d %H:%M:%S} {clock.tzname()}")), align="left"),
        _balances(snapshot),
        *(Text(_clean(text)) for text in _powers(snapshot)),
        *_findings(snapshot.findings, snapshot.now_ms),
        Text(
            f"Traffic  {rates.received_per_s:.0f} readings in, {rates.published_per_s:.0f} messages out a second;"
            f" {rates.received} in, {rates.published} out since the start"
        ),
        Text(f"All values  {broker_line}", style="dim"),
    ]
    return Group(*parts)


def line(snapshot: Snapshot, rates: Rates) -> str:
    """The same in one plain line, for a pipe or a log."""
    clock = from_ms(snapshot.now_ms).astimezone(ZoneInfo(snapshot.site.zone))
    boards = [f"{name} {_short(_latest(snapshot, name))}" for name in _boards(snapshot)]
    texts = [
        f"{clock:%H:%M:%S}",
        *boards,
        f"surplus {_surplus(snapshot)}",
        f"PV {_power(snapshot.production)}",
        f"findings {len(snapshot.findings)}",
        f"{rates.received_per_s:.0f} in/s {rates.published_per_s:.0f} out/s",
    ]
    return _clean(" | ".join(texts))


def _clean(texts: str) -> str:
    """Without control characters: names and texts may come from the network, and a terminal obeys them."""
    return "".join(sign if sign.isprintable() else " " for sign in texts)


def _boards(snapshot: Snapshot) -> list[str]:
    return [board.name for board in snapshot.site.boards]


def _latest(snapshot: Snapshot, board: str) -> BoardNow | None:
    return snapshot.closed.get(board) or snapshot.running.get(board)


def _balances(snapshot: Snapshot) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("Board", "Interval"):
        table.add_column(name)
    for name in ("Feed", "Outgoing", "Residual", "Band"):
        table.add_column(f"{name} kWh", justify="right")
    table.add_column("Verdict")
    table.add_column("Live points")
    for name in _boards(snapshot):
        for label, rows in (("closed", snapshot.closed), ("running", snapshot.running)):
            if name in rows:
                table.add_row(*_balance_row(snapshot.site, rows[name], label))
    return table


def _balance_row(site: Site, board: BoardNow, label: str) -> list[RenderableType]:
    zone = ZoneInfo(site.zone)
    start, end = (from_ms(ms).astimezone(zone) for ms in (board.start_ms, board.end_ms))
    band = MISSING if board.band_mwh is None else f"± {_kwh(board.band_mwh)}"
    return [
        board.board,
        f"{start:%H:%M}-{end:%H:%M} {label}",
        _kwh(board.feed_mwh),
        _kwh(board.outgoing_mwh),
        _kwh(board.residual_mwh, signed=True),
        band,
        Text(_clean(_verdict(board)), style=COLOUR.get(board.verdict, "")),
        f"{board.covered} of {board.of}",
    ]


def _verdict(board: BoardNow) -> str:
    text = board.verdict
    if board.missing:
        text += f": {_some(board.missing)} {MISSING}"
    return f"{text} (estimated)" if board.estimated else text


def _short(board: BoardNow | None) -> str:
    if board is None:
        return "no interval yet"
    band = MISSING if board.band_mwh is None else f"{_kwh(board.band_mwh)}"
    return f"{_kwh(board.residual_mwh, signed=True)} of band {band} kWh {_verdict(board)}"


def _powers(snapshot: Snapshot) -> list[str]:
    texts = [
        f"Surplus  {_surplus(snapshot)}",
        f"Power  draw {_power(snapshot.draw)}, PV {_power(snapshot.production)}, load {_power(snapshot.load)}",
        f"Demand of this interval  {_power(snapshot.demand)} so far, {_power(snapshot.demand_projection)} at its end",
    ]
    day = snapshot.pv_day
    if day is not None:
        texts.append(
            f"PV today  {_kwh(day.production_mwh)} kWh, used on the site {_kwh(day.self_use_mwh)} kWh"
            f" (self-consumption {_ratio(day.self_consumption)}, self-sufficiency {_ratio(day.self_sufficiency)})"
        )
    return texts


def _surplus(snapshot: Snapshot) -> str:
    surplus = snapshot.surplus
    if surplus.power_w is None:
        return f"invalid: {surplus.reason}" if surplus.reason else "invalid"
    age_s = max(0.0, (snapshot.now_ms - surplus.at_ms) / 1000.0)
    state = "" if surplus.state is Quality.GOOD else f", {surplus.state.value}"
    how = surplus.reason if surplus.path == NO_PATH else f"by the {surplus.path}, {age_s:.0f} s old"
    return f"{surplus.power_w / 1000.0:.1f} kW {how}{state}"


def _power(power: PowerNow) -> str:
    if power.power_w is None:
        return f"{MISSING} ({power.reason})" if power.reason else MISSING
    return f"{power.power_w / 1000.0:.1f} kW"


def _kwh(mwh: int | None, *, signed: bool = False) -> str:
    if mwh is None:
        return MISSING
    return f"{mwh / 1e6:+.2f}" if signed else f"{mwh / 1e6:.2f}"


def _ratio(ratio: float | None) -> str:
    return "undefined" if ratio is None else f"{100.0 * ratio:.0f} %"


def _findings(findings: Iterable[Finding], now_ms: int) -> list[Text]:
    newest = sorted(findings, key=lambda finding: (-finding.at_ms, finding.id))
    if not newest:
        return [Text("Findings  none")]
    shown = [Text(f"Findings  {len(newest)}", style="bold")]
    for finding in newest[:LONGEST_LIST]:
        minutes = max(0, now_ms - finding.at_ms) // 60_000
        remedy = f" {finding.remedy}" if finding.remedy else ""
        shown.append(Text(_clean(f"  {minutes} min  {finding.text}{remedy}")))
    if len(newest) > LONGEST_LIST:
        shown.append(Text(f"  and {len(newest) - LONGEST_LIST} more"))
    return shown


def _some(names: tuple[str, ...]) -> str:
    more = len(names) - LONGEST_LIST
    return ", ".join(names[:LONGEST_LIST]) + (f" and {more} more" if more > 0 else "")
