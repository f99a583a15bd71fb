"""Page "what-if": the site's own year with more PV, a battery or another contract."""

from fractions import Fraction
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from pydantic import BeforeValidator, Field

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, Values, basis, snapshot_of
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.energy.what_if_year import Question, WhatIf, assumptions, figures, what_if
from meterd.core.errors import ConfigError
from meterd.core.model.snapshot import Snapshot
from meterd.core.model.written import plain_number

MOST = 100_000  # kW, kWh, kWp: no low-voltage site comes near


def _given(words: object) -> object:
    """A field of the form that is left empty asks for nothing; a size may have a decimal comma."""
    return plain_number(words) or None if isinstance(words, str) else words


Given = BeforeValidator(_given)
Size = Annotated[Annotated[float, Field(ge=0, le=MOST)] | None, Given, Query()]
Year = Annotated[Annotated[int, Field(ge=1970, le=9999)] | None, Given, Query(description="local calendar year")]


class FigureLine(Values):
    """One figure of the year in both cases, in Wh, W, the currency or a count; None = not known."""

    key: str
    unit: str
    before: float | None
    after: float | None


class AssumptionLine(Values):
    """One sentence about what the estimate rests on: the key of its words and their values."""

    key: str
    words: dict[str, str]


class WhatIfView(PageValues):
    """The estimate; `refused` says in words why there is none."""

    year: int | None
    figures: list[FigureLine]
    assumptions: list[AssumptionLine]
    refused: str
    asked: dict[str, float | None]


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    year: Year = None,
    contract: Size = None,
    pv: Size = None,
    installed: Size = None,
    battery: Size = None,
    power: Size = None,
) -> WhatIfView:
    """The year as it was and as it would have been; sizes in kW, kWp and kWh."""
    site = context.backend.site
    question = Question(
        year=year,
        contract_kw=_exact(contract),
        more_kwp=_exact(pv) or Fraction(0),
        installed_kwp=_exact(installed),
        battery_kwh=_exact(battery) or Fraction(0),
        battery_kw=_exact(power),
    )
    refused, answer = "", None
    try:
        with context.backend.reader() as reads:
            answer = what_if(reads, site, question, snapshot.now_ms)
    except ConfigError as exc:
        refused = wording.translated_line(viewer.language, str(exc), ZoneInfo(site.zone))
    return WhatIfView(
        basis=basis(context.backend, snapshot),
        year=None if answer is None else answer.year,
        figures=[] if answer is None else _figures(answer),
        assumptions=[] if answer is None else _assumptions(answer, ZoneInfo(site.zone)),
        refused=refused,
        asked={"contract": contract, "pv": pv, "installed": installed, "battery": battery, "power": power},
    )


def _exact(size: float | None) -> Fraction | None:
    return None if size is None else Fraction(str(size))


def _figures(answer: WhatIf) -> list[FigureLine]:
    return [FigureLine(key=f.key, unit=f.unit, before=f.before, after=f.after) for f in figures(answer)]


def _assumptions(answer: WhatIf, zone: ZoneInfo) -> list[AssumptionLine]:
    return [AssumptionLine(key=key, words=words) for key, words in assumptions(answer, zone)]
