"""The page "why" asked about small stores."""

from dataclasses import replace
from zoneinfo import ZoneInfo

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.pages.audit import WhyView, view
from meterd.adapters.web.pages.audit_energy import FigureWhy
from meterd.adapters.web.request_context import RequestContext
from tests.adapters.web.request_contexts import SITE, SOMEBODY, shot

VIENNA = ZoneInfo("Europe/Vienna")
MARCH = replace(SITE, instruments=())  # those of the small site were fitted in April


def asked(context: RequestContext, viewer: Viewer = SOMEBODY, **query: str) -> WhyView:
    """What the page answers to a query."""
    return view(context, viewer, shot(context), **query)  # type: ignore[arg-type]


def figure(context: RequestContext, **query: str) -> FigureWhy:
    answer = asked(context, **query).figure
    assert answer is not None
    return answer
