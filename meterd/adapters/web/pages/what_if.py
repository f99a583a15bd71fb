"""Page "what-if": the site's own year with more PV, a battery, another contract or other prices."""

from fractions import Fraction
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from pydantic import BaseModel, BeforeValidator, Field, ValidationInfo

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, Values, basis, snapshot_of
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.energy.what_if_year import Question, WhatIf, assumptions, currency_of, figures, plain_tariff, what_if
from meterd.core.errors import ConfigError
from meterd.core.model.snapshot import Snapshot
from meterd.core.model.tariff import PriceKind
from meterd.core.model.written import german_number, plain_number

MOST = 100_000  # kW, kWh, kWp: no low-voltage site comes near


def _given(text: object, info: ValidationInfo) -> object:
    """A field of the form that is left empty asks for nothing; a size may have a decimal comma."""
    read = german_number if info.data.get("written") == "de" else plain_number
    return read(text.strip()) or None if isinstance(text, str) else text


Given = BeforeValidator(_given)
Size = Annotated[Annotated[float, Field(ge=0, le=MOST)] | None, Given]
PRICES = {
    "import_price": PriceKind.IMPORT,
    "export_price": PriceKind.EXPORT,
    "demand_price": PriceKind.DEMAND,
    "fixed_price": PriceKind.FIXED,
}


class Asked(BaseModel):
    """What is to be different: kW, kWp and kWh; prices in the currency of the plan. None = as it is.

    `written`: the language of the form that the sizes were typed into, which stands before them to be known to them.
    """

    written: Literal["", "en", "de"] = ""

    year: Annotated[Annotated[int, Field(ge=1970, le=9999, description="local calendar year")] | None, Given] = None
    contract: Size = None
    pv: Size = None
    installed: Size = None
    battery: Size = None
    power: Size = None
    import_price: Size = None
    export_price: Size = None
    demand_price: Size = None
    fixed_price: Size = None


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
    currency: str
    asked: dict[str, float | None]


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    asked: Annotated[Asked, Query()],
) -> WhatIfView:
    """The year as it was and as it would have been; sizes in kW, kWp and kWh, prices in the currency of the plan."""
    site = context.backend.site
    sizes = asked.model_dump(exclude={"year", "written"})
    exact = {key: None if size is None else Fraction(str(size)) for key, size in sizes.items()}
    question = Question(
        year=asked.year,
        contract_kw=exact["contract"],
        more_kwp=exact["pv"] or Fraction(0),
        installed_kwp=exact["installed"],
        battery_kwh=exact["battery"] or Fraction(0),
        battery_kw=exact["power"],
        tariff=plain_tariff(site, {kind: exact[key] for key, kind in PRICES.items()}),
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
        currency=currency_of(site),
        asked=sizes,
    )


def _figures(answer: WhatIf) -> list[FigureLine]:
    return [FigureLine(key=f.key, unit=f.unit, before=f.before, after=f.after) for f in figures(answer)]


def _assumptions(answer: WhatIf, zone: ZoneInfo) -> list[AssumptionLine]:
    return [AssumptionLine(key=key, words=text) for key, text in assumptions(answer, zone)]
