"""What `meterd check` shows: one screen about a sound plan, or one line per fault."""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from meterd.adapters.planfile.draft import Difference
from meterd.adapters.planfile.fault import Fault
from meterd.adapters.planfile.loader import Plan
from meterd.core.balance.topology import network, separate
from meterd.core.drift.detection_limits import from_plan
from meterd.core.model.plan import Point, PointState, Role, Site

EPOCH = date(1970, 1, 1)
HOLIDAYS_LEFT_DAYS = 92  # three months: the dates of the next year are known by then
MOST_LINES = 12  # of differences; the screen has about forty lines, the files have the rest


def holidays_end(site: Site, today: date) -> str:
    """What is wrong with holidays that end soon; empty if nothing. A plan without any does not use them."""
    if not site.holidays:
        return ""
    last = EPOCH + timedelta(days=max(site.holidays))
    if (last - today).days >= HOLIDAYS_LEFT_DAYS:
        return ""
    return f"the last of holidays is {last.isoformat()}, later ones count as ordinary days"


def render_faults(faults: Iterable[Fault]) -> str:
    """One line per fault: `file:line:column: what is wrong; what would be right`."""
    return "\n".join(str(fault) for fault in faults)


def summary(plan: Plan, topic_count: int) -> RenderableType:
    """One screen about a plan, for a terminal (rich finds the width and the colours) or for a pipe.

    `topic_count` is the number of topics the site will publish; the caller knows it.
    """
    parts: list[RenderableType] = [_title(plan), Text(""), _boards(plan.site), _states(plan.site)]
    parts.extend((*_facts(plan, topic_count), *_copies(plan)))
    if plan.warnings:
        noun = "warning" if len(plan.warnings) == 1 else "warnings"
        parts.append(Text(f"\n{len(plan.warnings)} {noun}", style="yellow"))
        parts.extend(Text(f"  {warning}", overflow="fold") for warning in plan.warnings)
    else:
        parts.append(Text("\nno warnings", style="green"))
    return Group(*parts)


def _title(plan: Plan) -> Text:
    site = plan.site
    text = f"{site.title or site.name} ({site.name})  zone {site.zone}  interval {site.interval_s} s"
    return Text(f"{text}  plan {plan.fingerprint[:12]}", style="bold")


def _table(*columns: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), title_justify="left")
    for index, column in enumerate(columns):
        table.add_column(Text(column), justify="left" if index == 0 else "right", no_wrap=True, overflow="fold")
    return table


def _boards(site: Site) -> RenderableType:
    """Per board: what feeds it, and how many of its outgoing points count and are read."""
    table = _table("board", "rating", "feeds", "pv", "backup", "outgoing", "read", "live", "below")
    read = {meter_input.point for meter_input in site.inputs}
    for board in site.boards:
        points = site.on_board(board.name)
        outgoing = [point for point in points if point.role is Role.FEEDER and _wanted(point)]
        roles = Counter(point.role for point in points if _wanted(point))
        below = [point for point in site.points_of(board.name) if point.below and _wanted(point)]
        cells = (
            board.name,
            f"{board.rating_kva:g} kVA" if board.rating_kva else "-",
            str(roles[Role.FEED]),
            str(roles[Role.PV]),
            str(roles[Role.BACKUP] + roles[Role.STORAGE]),
            str(len(outgoing)),
            f"{sum(point.name in read for point in outgoing)} of {len(outgoing)}",
            f"{sum(point.counts for point in outgoing)} of {len(outgoing)}",
            str(len(below)),
        )
        table.add_row(*map(Text, cells))
    return table


def _wanted(point: Point) -> bool:
    return point.state is not PointState.RETIRED


def _states(site: Site) -> RenderableType:
    """Points by role and state."""
    result = Counter((point.role, point.state) for point in site.points)
    states = [state for state in PointState if any(other is state for _, other in result)]
    table = _table("points", *states, "all")
    for role in Role:
        counts = [result[role, state] for state in states]
        if any(counts):
            table.add_row(*map(Text, (role, *(str(count or "-") for count in counts), str(sum(counts)))))
    return Group(Text(""), table)


def _facts(plan: Plan, topic_count: int) -> list[Text]:
    site = plan.site
    fitted = [instrument for instrument in site.instruments if instrument.until_ms is None]
    with_class = sum(instrument.meter_class is not None for instrument in fitted)
    transformers = [instrument for instrument in fitted if instrument.ct_primary_a is not None]
    known = sum(instrument.ct_class is not None for instrument in transformers)
    sources = Counter(meter_input.source for meter_input in site.inputs)
    lines = (
        ("instruments", f"{len(fitted)} fitted, {len(site.instruments) - len(fitted)} taken out"),
        ("classes", f"{with_class} of {len(fitted)} with meter class"),
        (
            "",
            f"{known} of {len(transformers)} with current transformers have a class, {len(fitted) - len(transformers)} direct",
        ),
        ("inputs", ", ".join(f"{count} from {source}" for source, count in sorted(sources.items())) or "none"),
        (
            "consumers",
            f"{len(site.consumers)}, together {sum(consumer.max_w for consumer in site.consumers) / 1000:g} kW",
        ),
        ("topics", f"{topic_count} below {site.prefix}/{site.name}/"),
    )
    texts = [Text(f"{name:<12} {text}", overflow="fold") for name, text in (*lines, ("visible", _visible(plan)))]
    return [Text(""), *texts]


def _visible(plan: Plan) -> str:
    """The smallest errors that the balances could show after 30 days, best and worst, from the plan alone."""
    latest = max((i.from_ms for i in plan.site.instruments), default=0)
    results: dict[str, float] = {}
    for part in separate(network(plan.site, latest)):
        for line in from_plan(part) if part.nodes else ():
            if line.seen[1] is not None:
                results[line.point] = line.seen[1]
    if not results:
        return "no meter error: there is no board with a feed and a feeder that are live"
    ranked = sorted(results, key=lambda name: (results[name], name))
    best, worst = ranked[0], ranked[-1]
    return (
        f"after 30 days an error of {100 * results[best]:.1f} % ({best}) to {100 * results[worst]:.1f} % ({worst});"
        " see meterd visible-error"
    )


def _copies(plan: Plan) -> Sequence[Text]:
    """The patterns, and every difference of a copy."""
    lines: list[str] = []
    differences: list[Difference] = []
    for copies in plan.copies:
        first, last = copies.numbers[0], copies.numbers[-1]
        lines.append(f"{'pattern':<12} {copies.pattern}, {len(copies.numbers)} copies ({first} to {last})")
        differences.extend(copies.differences)
    for difference in differences[:MOST_LINES]:
        lines.append(f"{'':<12} {difference.subject}: {difference.key} {difference.here} instead of {difference.drawn}")
    if len(differences) > MOST_LINES:
        lines.append(f"{'':<12} and {len(differences) - MOST_LINES} more differences")
    return [Text(line, overflow="fold") for line in lines]
