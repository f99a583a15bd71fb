"""The record of an exchange asked for by the form, on a small store."""

from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.corrections import exchange_page as change_meter
from meterd.adapters.web.request_context import RequestContext
from tests.adapters.web.request_contexts import shot

ADA = Viewer("ada", UserRole.CHANGE, "en")
SWAP = {"point": "q01", "out": "2026-05-04 15:00:30", "closing": ["12.03 kWh", "0 kWh", "0 kvarh"], "serial": "B-3"}
SWAP |= {"opening": ["12.05 kWh", "0 Wh", "0 varh"], "check": "yes"}


def swapped(context: RequestContext, **fields: object) -> change_meter.ChangeMeterView:
    """The record of an exchange as it was noted."""
    wish = change_meter.ExchangeQuery(**{**SWAP, **fields})  # type: ignore[arg-type]
    return change_meter.view(context, ADA, shot(context), wish)
