"""Page "savings": what a measure saved, by a baseline of the plan or one that is asked for."""

from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from pydantic import Field
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.texts.savings_words import savings_words, title_of
from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.common import PageValues, Values, basis, snapshot_of
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.adapters.web.time_input import moment
from meterd.core.energy.energy_items import EnergyItem
from meterd.core.errors import ConfigError
from meterd.core.model.periods import HOUR_MS, Period, bounds, label
from meterd.core.model.plan import BaselinePeriod, Site
from meterd.core.model.snapshot import Snapshot
from meterd.core.savings.savings import (
    Savings,
    SavingsQuestion,
    formula,
    name_of,
    planned_baseline,
    savings_item,
    savings_items,
    savings_of,
)

Day = Annotated[str, Query(max_length=30)]


class Choice(Values):
    """Something of which a saving may be asked: a point, a board or the site."""

    name: str
    title: str


class PlannedBaseline(Values):
    """A measure that the plan names."""

    name: str
    title: str
    from_ms: int
    until_ms: int
    reporting_ms: int
    reason: str


class Fact(Values):
    """A label and what stands behind it, in the language of the viewer."""

    name: str
    words: str


class FormulaLine(Values):
    """A term of the formula: its coefficient in Wh a day, or a degree and day, and the standard deviation of that."""

    term: str
    wh: float
    standard_deviation_wh: float


class SavingsAnswer(Values):
    """The answer, mWh; `outcome` is saved, more, within, no-fit, explains-little, too-few, no-days or not-alike.

    `register` is the one that was measured; empty where a day is made of several figures. Lists have one value a day of the
    reporting period; `saved` and `band` are sums since its first day.
    """

    name: str
    register_: str = Field(alias="register")  # every model has a `register` already
    outcome: str
    headline: str
    facts: list[Fact]
    remarks: list[str]
    formula: list[FormulaLine]
    r2: float | None
    cv_rmse: float | None
    known: int
    expected_mwh: int | None
    measured_mwh: int | None
    saved_mwh: int | None
    band_mwh: int | None
    days_ms: list[int]
    measured: list[int | None]
    baseline: list[int | None]
    saved: list[int]
    band: list[int]


class SavingsView(PageValues):
    """What may be asked, and the answer; `refused` says in words why there is none. `asked` are the fields of the form."""

    choices: list[Choice]
    planned: list[PlannedBaseline]
    asked: dict[str, str]
    answer: SavingsAnswer | None
    refused: str


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    of: Annotated[str, Query(max_length=100)] = "",
    baseline_from: Day = "",
    baseline_until: Day = "",
    begin: Annotated[str, Query(alias="from", max_length=30)] = "",
    until: Day = "",
) -> SavingsView:
    """The saving of a point, a board or the site. Days are local, the last ones are included; what is empty is by the plan."""
    site, zone = context.backend.site, ZoneInfo(context.backend.site.zone)
    shown = [row for row in site.baselines if _visible(savings_item(site, row.name), viewer, site)]
    of = of or next((row.name for row in reversed(shown)), "")
    planned = planned_baseline(site, of)
    asked = {"of": of, "baseline_from": baseline_from, "baseline_until": baseline_until, "from": begin, "until": until}
    if planned is not None:
        usual = {"baseline_from": planned.from_ms, "baseline_until": planned.until_ms - 1, "from": planned.reporting_ms}
        asked |= {key: label(Period.DAY, at, zone) for key, at in usual.items() if not asked[key]}
    answer, refused = None, ""
    item = savings_item(site, of)
    if of and item is None:
        raise HTTPException(404, wording.say(viewer.language, "savings.no_energy", of=of))
    if item is not None and not _visible(item, viewer, site):
        raise HTTPException(
            403,
            wording.say(
                viewer.language, "point.hidden_more", role=wording.role_words(viewer.language, site.page.rooms)
            ),
        )
    if item is not None and asked["baseline_from"] and asked["baseline_until"]:
        question = _question(item, asked, zone, viewer.language, snapshot.now_ms)
        try:
            with context.backend.reader() as reads:
                answer = _answer(savings_of(reads, site, question), site, viewer.language)
        except ConfigError as exc:
            refused = wording.translated_line(viewer.language, str(exc), zone)
    return SavingsView(
        basis=basis(context.backend, snapshot),
        choices=[
            Choice(name=name_of(entry, site), title=title_of(entry, site))
            for entry in savings_items(site)
            if _visible(entry, viewer, site)
        ],
        planned=[_planned(row, site) for row in shown],
        asked=asked,
        answer=answer,
        refused=refused,
    )


def _visible(item: EnergyItem | None, viewer: Viewer, site: Site) -> bool:
    return item is not None and all(viewer.sees(point, site) for point in item.points)


def _question(item: EnergyItem, asked: dict[str, str], zone: ZoneInfo, language: str, now_ms: int) -> SavingsQuestion:
    """Days of the form; without a first day of the saving the day after the baseline, without a last one until now."""

    def after(text: str) -> int:
        return bounds(Period.DAY, moment(text, zone, language), zone, HOUR_MS)[1]

    learned = moment(asked["baseline_from"], zone, language), after(asked["baseline_until"])
    begin = moment(asked["from"], zone, language) if asked["from"] else learned[1]
    return SavingsQuestion(item, learned, (begin, after(asked["until"]) if asked["until"] else max(now_ms, begin + 1)))


def _answer(answer: Savings, site: Site, language: str) -> SavingsAnswer:
    message, baseline, item = savings_words(language, answer, site), answer.baseline, answer.question.item
    return SavingsAnswer(
        name=name_of(item, site),
        register=item.channels[0][1] if len(item.channels) == 1 and item.points else "",
        outcome=answer.outcome,
        headline=message.headline,
        facts=[Fact(name=name, words=text) for name, text in message.facts],
        remarks=list(message.remarks),
        formula=[]
        if baseline is None
        else [FormulaLine(term=f.term, wh=f.wh, standard_deviation_wh=f.error_wh) for f in formula(baseline)],
        r2=None if baseline is None else baseline.fit.r2,
        cv_rmse=None if baseline is None else baseline.cv,
        known=answer.known,
        expected_mwh=answer.expected,
        measured_mwh=answer.measured,
        saved_mwh=answer.saved,
        band_mwh=answer.band,
        days_ms=[day.start_ms for day in answer.days],
        measured=[day.measured for day in answer.days],
        baseline=[day.baseline for day in answer.days],
        saved=[day.saved for day in answer.days],
        band=[day.band for day in answer.days],
    )


def _planned(row: BaselinePeriod, site: Site) -> PlannedBaseline:
    item = savings_item(site, row.name)
    return PlannedBaseline(
        name=row.name,
        title=row.name if item is None else title_of(item, site),
        from_ms=row.from_ms,
        until_ms=row.until_ms,
        reporting_ms=row.reporting_ms,
        reason=row.reason,
    )
