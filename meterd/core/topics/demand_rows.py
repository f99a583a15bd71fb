"""Rows of the table of derived values for the running interval: its mean so far and at its end, and the contract."""

from collections.abc import Callable

from meterd.core.model.demand import WARNINGS
from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import PowerNow, Snapshot
from meterd.core.topics.definition import MISSING, Each, Row, RowValue, TimeBasis

Present = Callable[[Site], tuple[str, ...]]

_ALLOWED = (
    "Mean power that the rest of the running interval may have within the contracted power, never more than that; "
    "0 = it is passed already."
)
_REMAINING = (
    "The same without the contracted power as its bound: what would bring the interval exactly to the contract. It "
    "grows without bound towards the end of the interval; no set point."
)
_EXPECTED = (
    "Mean power of the running interval at its end, with the forecast of the site as far as there is one. Partial: "
    "without forecast, if the draw stays."
)
_WARNING = (
    "Whether the running interval will pass the contracted power: none (0), possible (1, the upper end of the band passes "
    "it), likely (2, the expected mean does) or certain (3, the lower end does); the number is that of /plain."
)


def _with_contract(site: Site) -> tuple[str, ...]:
    return ("",) if site.limits.contracted_w is not None else ()


def _power(pick: Callable[[Snapshot], PowerNow | None]) -> Callable[[Snapshot, str], RowValue]:
    def take(snapshot: Snapshot, _: str) -> RowValue:
        now = pick(snapshot)
        if now is None:
            return MISSING
        return RowValue(now.power_w, now.at_ms, now.state, apart_ms=now.apart_ms, every_ms=now.every_ms)

    return take


def _expected(snapshot: Snapshot, _: str) -> RowValue:
    ahead = snapshot.demand_outlook
    if ahead is None:
        return MISSING
    return RowValue(ahead.middle_w, ahead.at_ms, Quality.GOOD if ahead.forecast else Quality.PARTIAL)


def _warning(snapshot: Snapshot, _: str) -> RowValue:
    warning, ahead = snapshot.demand_warning, snapshot.demand_outlook
    if warning is None or ahead is None:
        return MISSING
    return RowValue(WARNINGS[warning], ahead.at_ms, Quality.GOOD, warning.value)


def demand_rows(everywhere: Present) -> tuple[Row, ...]:
    """The rows; those of the contract only where the plan names one."""

    def power(name: str, meaning: str, pick: Callable[[Snapshot], PowerNow | None], present: Present) -> Row:
        return Row(f"site/{name}", "W", meaning, Each.SITE, TimeBasis.RUNNING, _power(pick), present)

    so_far, stays = (
        "Mean power of the running interval so far.",
        "Mean power of the running interval if the draw stays.",
    )
    return (
        power("demand", so_far, lambda s: s.demand, everywhere),
        power("demand-projection", stays, lambda s: s.demand_projection, everywhere),
        Row("site/demand-expected", "W", _EXPECTED, Each.SITE, TimeBasis.RUNNING, _expected, everywhere),
        power("demand-allowed", _ALLOWED, lambda s: s.demand_allowed, _with_contract),
        power("demand-remaining", _REMAINING, lambda s: s.demand_remaining, _with_contract),
        Row(
            "site/demand-warning",
            "",
            _WARNING,
            each=Each.SITE,
            follows=TimeBasis.RUNNING,
            take=_warning,
            present=_with_contract,
            words=WARNINGS,
        ),
    )
