"""The sheets of the page in the order in which they are listed. A new one is one line here, one file, one template."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from meterd.page import (
    UserRole,
    balance,
    change,
    change_meter,
    change_told,
    commissioning,
    data,
    demand,
    find,
    findings,
    now,
    papers,
    point,
    pv,
    why,
)
from meterd.site import Site


@dataclass(frozen=True, slots=True)
class Sheet:
    """A question with its answer: `look` gives the values, `template` shows them.

    Its texts stand in `words/*/<key>.toml` as `<key>.title` and `<key>.question` beside the others.
    """

    key: str
    look: Callable[..., Any]
    view: type[BaseModel]
    role: UserRole = UserRole.OPEN
    listed: bool = True
    more: Callable[[Any, Site, str], Mapping[str, object]] | None = None  # what only people see, such as a drawing

    @property
    def path(self) -> str:
        """Where it is found."""
        return f"/{self.key}"

    @property
    def template(self) -> str:
        """The file below `templates`."""
        return f"{self.key}.html"


SHEETS: tuple[Sheet, ...] = (
    Sheet("now", now.look, now.NowView),
    Sheet(
        "balance",
        balance.look,
        balance.BalanceView,
        more=lambda v, site, lang: {"diagram": balance.diagram(v, site, lang)},
    ),
    Sheet("point", point.look, point.PointView),
    Sheet("commissioning", commissioning.look, commissioning.CommissioningView),
    Sheet("demand", demand.look, demand.DemandView),
    Sheet("pv", pv.look, pv.PvView),
    Sheet("data", data.look, data.DataView),
    Sheet("findings", findings.look, findings.FindingsView),
    Sheet("find", find.look, find.FindView),
    Sheet("papers", papers.look, papers.PapersView, role=UserRole.LOOK),
    Sheet("change", change.look, change.ChangeView, role=UserRole.CHANGE, more=change_told.told),
    Sheet("change-meter", change_meter.look, change_meter.ChangeMeterView, role=UserRole.CHANGE),
    Sheet("why", why.look, why.WhyView, listed=False),
)
