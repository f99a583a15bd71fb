"""What is asked of savings in words: a point of the plan, its baseline, the days after it."""

from dataclasses import dataclass
from difflib import get_close_matches
from zoneinfo import ZoneInfo

from meterd.app.operations.question import moment
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site
from meterd.core.savings.savings import SavingsQuestion, name_of, planned_baseline, savings_item, savings_items

_RIGHT = "write its first day and the day after its last one, such as 2025-01-01..2026-01-01"


@dataclass(frozen=True, slots=True)
class SavingsRequest:
    """As a person writes it; what is empty follows from the plan, or is now. `baseline` is FROM..UNTIL."""

    name: str
    baseline: str = ""
    begin: str = ""
    until: str = ""


def asked_question(site: Site, request: SavingsRequest, now_ms: int) -> SavingsQuestion:
    """The question. ConfigError says what is wrong with the words."""
    zone, planned = ZoneInfo(site.zone), planned_baseline(site, request.name)
    item = savings_item(site, request.name)
    if item is None:
        names = [name_of(item, site) for item in savings_items(site)]
        near = ", ".join(get_close_matches(request.name, names, n=3) or names[:3])
        raise ConfigError(
            f"the plan has no energy of {request.name}: name a point, a board or the site, such as {near}"
        )
    if request.baseline:
        low, dots, high = request.baseline.partition("..")
        if not dots:
            raise ConfigError(f"cannot read --baseline {request.baseline!r}: {_RIGHT}")
        learned = moment(low, zone, "--baseline"), moment(high, zone, "--baseline")
        begin = learned[1]
    elif planned is not None:
        learned, begin = (planned.from_ms, planned.until_ms), planned.reporting_ms
    else:
        raise ConfigError(f"the plan has no [[baseline]] of {request.name}: name one with --baseline; {_RIGHT}")
    if request.begin:
        begin = moment(request.begin, zone, "--from")
    until = moment(request.until, zone, "--until") if request.until else max(now_ms, begin + 1)
    return SavingsQuestion(item, learned, (begin, until))
