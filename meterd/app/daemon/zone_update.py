"""The rules of the site's time zone: which version is in force, and what follows when they are not those of the last run."""

import logging
import zoneinfo
from importlib import import_module
from zoneinfo import ZoneInfo

from meterd.adapters.runtime.logging import about
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.checks.rules import ZONE_RULES
from meterd.core.checks.zone_rules import Changes, changes, differing, from_text, to_text
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.finding import Finding
from meterd.core.model.periods import Period, text
from meterd.core.model.plan import Site

log = logging.getLogger("meterd")

_FACT = "zone_rules"  # the offsets of the zone as they were when the local days were summed


def rules_version() -> str:
    """The version of the zone database in force: of the pinned package, or that this machine's own rules are used."""
    if zoneinfo.TZPATH:
        return "of this machine"
    return str(getattr(import_module("tzdata"), "IANA_VERSION", "unknown"))


def follow_rules(store: WriteStore, ledger: Ledger, site: Site, now_ms: int) -> Finding | None:
    """Sum local periods again wherever the rules are not those of the last run; says so. StoreError if that is not stored."""
    new, stored = changes(ZoneInfo(site.zone)), store.fact(_FACT)
    if stored == to_text(new):
        return None
    spans = _within(differing(_read(stored), new), store) if stored else []
    count = ledger.resum_periods(spans, now_ms) if spans else 0
    with store.transaction():
        store.set_fact(_FACT, to_text(new))
    if not spans:
        return None
    message = (
        f"time zone {site.zone} has new rules ({rules_version()}): local days from"
        f" {text(spans[0][0])} to {text(spans[-1][1])} were summed again, {count} figures changed"
    )
    log.warning("%s", message, extra=about("zone-rules", site.name))
    remedy = (
        "compare with reports made before; energies of intervals have not changed, only which local day they belong to"
    )
    return Finding(ZONE_RULES, site.name, now_ms, message, remedy)


def _read(stored: str) -> Changes:
    try:
        return from_text(stored)
    except ValueError:
        return ()  # damaged: everything is summed again, which changes nothing that is right


def _within(spans: list[tuple[int, int]], store: StoredFigures) -> list[tuple[int, int]]:
    """The parts of the spans that the stored figures reach."""
    stored = store.span(Period.INTERVAL)
    if stored is None:
        return []
    first, last = stored
    cut = [(max(low, first), min(high, last + 1)) for low, high in spans]
    return [(low, high) for low, high in cut if low < high]
