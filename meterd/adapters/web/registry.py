"""The pages in the order in which they are listed. A new one is one line here, one file, one template."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.corrections import correction_page as change
from meterd.adapters.web.corrections import exchange_page as change_meter
from meterd.adapters.web.corrections import preview_text
from meterd.adapters.web.pages import audit as why
from meterd.adapters.web.pages import (
    balance,
    commissioning,
    demand,
    energy,
    energy_pictures,
    energy_values,
    findings,
    point,
    pv,
)
from meterd.adapters.web.pages import data_quality as data
from meterd.adapters.web.pages import documents as documents_page
from meterd.adapters.web.pages import overview as now
from meterd.adapters.web.pages import savings as savings_page
from meterd.adapters.web.pages import search as find
from meterd.adapters.web.pages import what_if as what_if_page
from meterd.core.model.plan import Site


@dataclass(frozen=True, slots=True)
class Page:
    """A question with its answer: `view` gives the values, `template` shows them.

    Its texts stand in `catalogue/*/<key>.toml` as `<key>.title` and `<key>.question` beside the others.
    """

    key: str
    view: Callable[..., Any]
    answer: type[BaseModel]
    role: UserRole = UserRole.OPEN
    listed: bool = True
    former: str = ""  # its key in an earlier version: addresses that people and programs stored lead here
    more: Callable[[Any, Site, str], Mapping[str, object]] | None = None  # what only people see, such as a drawing

    @property
    def path(self) -> str:
        """Where it is found."""
        return f"/{self.key}"

    @property
    def template(self) -> str:
        """The file below `templates`."""
        return f"{self.key}.html"


PAGES: tuple[Page, ...] = (
    Page("now", now.view, now.NowView, more=now.now_pictures),
    Page("balance", balance.view, balance.BalanceView, more=balance.diagrams),
    Page("energy", energy.view, energy_values.EnergyView, more=energy_pictures.energy_pictures),
    Page("point", point.view, point.PointView),
    Page("commissioning", commissioning.view, commissioning.CommissioningView),
    Page("demand", demand.view, demand.DemandView),
    Page("pv", pv.view, pv.PvView),
    Page("what-if", what_if_page.view, what_if_page.WhatIfView),
    Page("savings", savings_page.view, savings_page.SavingsView),
    Page("data", data.view, data.DataView),
    Page("findings", findings.view, findings.FindingsView),
    Page("find", find.view, find.FindView),
    Page(
        "documents",
        documents_page.view,
        documents_page.DocumentsView,
        role=UserRole.LOOK,
        former="papers",
    ),
    Page("change", change.view, change.ChangeView, role=UserRole.CHANGE, more=preview_text.change_texts),
    Page("change-meter", change_meter.view, change_meter.ChangeMeterView, role=UserRole.CHANGE),
    Page("why", why.view, why.WhyView, listed=False),
)
