"""The figures of the page of energies as a file: a line for each step and energy, or for each band of the energy flow."""

import csv
import io
import re
from collections.abc import Iterator, Sequence
from typing import Annotated

from fastapi import Depends, FastAPI
from fastapi.responses import Response

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.pages.energy import view as energy_view
from meterd.adapters.web.pages.energy_pictures import name_of
from meterd.adapters.web.pages.energy_values import EnergyView, SeriesLine
from meterd.adapters.web.request_context import RequestContext, context_of, needs, viewer_of
from meterd.core.energy.tariff import COIN_PARTS, MG_PER_G, each_in_coins, in_coins
from meterd.core.model.periods import text

Row = list[object]
MWH_PER_WH = 1000
FORMULA = ("=", "+", "-", "@", "\t")  # what a spreadsheet would run begins so


def add(app: FastAPI) -> None:
    """The route; whoever sees the page may have its figures."""
    gate = [Depends(needs(Viewer().role))]
    app.add_api_route("/energy.csv", energy_file, include_in_schema=False, dependencies=gate)


def energy_file(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    view: Annotated[EnergyView, Depends(energy_view)],
) -> Response:
    """Energies in Wh, times in UTC, as all files of meterd for programs."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerows(_rows(view, viewer.language))
    name = re.sub(r"[^A-Za-z0-9-]+", "-", f"{context.backend.site.name}-energy-{text(view.from_ms)[:10]}")
    headers = {"content-disposition": f'attachment; filename="{name}.csv"', "cache-control": "no-store"}
    return Response(out.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


def _rows(view: EnergyView, language: str) -> Iterator[Row]:
    if view.query.picture == "flow":
        return _flow_rows(view)
    return _cost_rows(view, language) if view.query.picture == "cost" else _step_rows(view, language)


def _step_rows(view: EnergyView, language: str) -> Iterator[Row]:
    yield ["start", "end", "item", "title", "energy_wh", "quality"]
    for line in view.series:
        title = _harmless(name_of(line.key, line.title, language))
        for i, start in enumerate(view.edges[:-1]):
            if start < view.known_until_ms:
                value = line.values[i]
                energy = None if value is None else value / 1000
                yield [text(start), text(view.edges[i + 1]), line.key, title, energy, _quality(line, i)]


def _quality(line: SeriesLine, i: int) -> str:
    if line.values[i] is None:
        return "missing"
    return "partial" if i in line.partial else "estimated" if i in line.estimated else "good"


def _flow_rows(view: EnergyView) -> Iterator[Row]:
    yield ["start", "end", "board", "band", "point", "into", "energy_wh"]
    for line in view.flows:
        energy = None if line.energy_mwh is None else line.energy_mwh / 1000
        span = [text(view.from_ms), text(view.known_until_ms)]
        yield [*span, line.board, line.kind, line.point, line.into, energy]


def _cost_rows(view: EnergyView, language: str) -> Iterator[Row]:
    """The columns of `meterd energy --cost`, with the span before them: amounts as they are shown, and exactly."""
    columns = ["of", "line", "energy_wh", "demand_w", "amount", "currency", "co2_g", "quality", "amount_exact"]
    yield ["start", "end", *columns]
    cost = view.cost
    if cost is None:
        return
    span = [text(view.from_ms), text(view.known_until_ms)]
    for line, coins in zip(cost.lines, in_coins([line.amount for line in cost.lines]), strict=True):
        quantity = None if line.quantity is None else round(line.quantity * 1000, 3)
        both = ["" if line.unit != unit else quantity for unit in ("kWh", "kW")]
        yield _cost_row([*span, "site", _harmless(line.name)], both, (line.amount, coins), cost.currency)
    yield _cost_row([*span, "site", "sum"], ["", ""], (cost.amount, in_coins([cost.amount])[0]), cost.currency)
    if cost.with_co2:
        yield [*span, "site", "CO2", "", "", "", "", _part(cost.co2_mg, MG_PER_G), _known(cost.co2_mg), ""]
    if cost.with_pv:
        energy, mass = _part(cost.saved_mwh, MWH_PER_WH), _part(cost.avoided_mg, MG_PER_G)
        yield _cost_row(
            [*span, "PV", "saved"], [energy, ""], (cost.saved, each_in_coins([cost.saved])[0]), cost.currency, mass
        )
        yield _cost_row(
            [*span, "PV", "earned"], ["", ""], (cost.earned, each_in_coins([cost.earned])[0]), cost.currency
        )
    for item in cost.items:
        title = _harmless(name_of(item.key, item.title, language))
        energy = _part(item.energy_mwh, MWH_PER_WH)
        money = (item.amount, each_in_coins([item.amount])[0])
        yield _cost_row([*span, title, "import"], [energy, ""], money, cost.currency, _part(item.co2_mg, MG_PER_G))
        if cost.divided:
            yield _cost_row(
                [*span, title, "demand and fixed prices, part"], ["", ""], (item.part, item.part_coins), cost.currency
            )


def _cost_row(
    head: Row, figures: Sequence[object], money: tuple[int | None, int | None], currency: str, mass: object = ""
) -> Row:
    """`figures` are energy and demand, `money` the amount exactly and in coins as it is shown."""
    exact, coins = money
    return [*head, *figures, _part(coins, 100), currency, mass, _known(exact), _part(exact, COIN_PARTS)]


def _part(value: int | None, parts: int) -> float | None:
    return None if value is None else value / parts


def _known(value: object) -> str:
    return "missing" if value is None else "good"


def _harmless(entered: str) -> str:
    """A title that a spreadsheet takes for words and not for a formula."""
    return f"'{entered}" if entered.startswith(FORMULA) else entered
