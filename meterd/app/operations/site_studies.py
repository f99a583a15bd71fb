"""What is asked of the whole history of a site: which meter drifts, and how periods compare with earlier ones.

From a store or an archive alike, by the functions of the daemon: its drift watch, and the comparison of its reports.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from meterd.app.operations.drift_job import MonitoredPart, finding_of
from meterd.app.operations.queries import Line, wh
from meterd.core.energy.cost import PeriodAccount
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import Period, bounds, day_of, label, starts, text
from meterd.core.model.plan import Site
from meterd.core.reports.comparison import PeriodFigures, change_percent, compared_with, period_figures

_FIGURES = {
    "grid import": "imported",
    "grid export": "exported",
    "production": "produced",
    "self-use": "self_use",
    "consumption": "consumed",
}


def drift_lines(watched: Sequence[MonitoredPart], site: Site) -> list[Line]:
    """A line for each change of each part of the site's network; one for a part without any."""
    lines = list[Line]()
    for part in watched:
        line: Line = {
            "boards": ", ".join(node.name for node in part.network.nodes),
            "days": part.days,
            "baseline": "none yet" if part.state.learner is None else "learned",
        }
        for suspicion in part.suspicions:
            finding, since = finding_of(suspicion, site), day_of(suspicion.change_ms, ZoneInfo(site.zone))
            points = ", ".join(finding.points)
            lines.append(line | {"since": str(since), "points": points, "result": finding.text})
        if not part.suspicions:
            lines.append(line | {"since": "", "points": "", "result": "no meter is suspect"})
    return lines


def comparison_lines(stored: StoredFigures, site: Site, period: Period, span: tuple[int, int]) -> list[Line]:
    """A line for each whole month or year in the span and each energy of the site: beside the period and the year before.

    `rank` is among the sites, and not known yet.
    """
    intervals, zone, step = stored.span(Period.INTERVAL), ZoneInfo(site.zone), site.interval_s * 1000
    if intervals is None:
        return []
    history = (intervals[0], intervals[1] + step)
    known: dict[int, PeriodFigures | None] = {}

    def figures(account: PeriodAccount) -> PeriodFigures | None:
        if account.start_ms not in known:
            pv = stored.pv(period, account.start_ms, account.start_ms + 1)
            known[account.start_ms] = period_figures(account, pv[0] if pv else None)
        return known[account.start_ms]

    lines = list[Line]()
    for start in starts(period, bounds(period, max(span[0], history[0]), zone, step)[0], span[1], zone, step):
        account = PeriodAccount(stored, site, period, start, history)
        now = figures(account) if start >= span[0] and account.end_ms <= span[1] else None
        if now is not None:
            times: Line = {"period": label(period, start, zone), "start": text(start), "end": text(account.end_ms)}
            lines += [times | line for line in _compared(now, [figures(item) for item in compared_with(account)])]
    return lines


def _compared(now: PeriodFigures, earlier: Sequence[PeriodFigures | None]) -> Iterator[Line]:
    """A line for each energy that the site has; of a year the period before is the year before."""
    for name, field in _FIGURES.items():
        energy, *others = (None if figures is None else getattr(figures, field) for figures in (now, *earlier))
        if energy is None and not any(other is not None for other in others):
            continue
        line: Line = {"energy": name, "energy_wh": wh(energy)}
        for prefix, other in zip(("before", "year_before"), others, strict=False):
            line |= {f"{prefix}_wh": wh(other), f"{prefix}_change_percent": change_percent(energy, other)}
        yield line | {"rank": None}


def ranked(lines: Sequence[Line]) -> list[Line]:
    """Lines of many sites by period and energy, the largest first, each with its rank; equal ones have the same."""
    groups: dict[tuple[str, str], list[Line]] = defaultdict(list)
    for line in lines:
        groups[str(line["period"]), str(line["energy"])].append(line)
    order = list(_FIGURES)
    result = list[Line]()
    for _, group in sorted(groups.items(), key=lambda item: (item[0][0], order.index(item[0][1]))):
        rank, before = 0, None
        for place, line in enumerate(sorted(group, key=_largest_first), start=1):
            energy = line["energy_wh"]
            rank = rank if energy == before else place
            before = energy
            result.append(line | {"rank": None if energy is None else rank})
    return result


def _largest_first(line: Line) -> tuple[bool, float]:
    energy = line["energy_wh"]
    return (False, -energy) if isinstance(energy, float) else (True, 0.0)
