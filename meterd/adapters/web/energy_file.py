"""The figures of the page of energies as a file: a line for each step and energy, or for each band of the energy flow."""

import csv
import io
import re
from collections.abc import Iterator
from typing import Annotated

from fastapi import Depends, FastAPI
from fastapi.responses import Response

from meterd.adapters.web.backend import Viewer
from meterd.adapters.web.pages.energy import view as energy_view
from meterd.adapters.web.pages.energy_pictures import name_of
from meterd.adapters.web.pages.energy_values import EnergyView, SeriesLine
from meterd.adapters.web.request_context import RequestContext, context_of, needs, viewer_of
from meterd.core.model.periods import text

Row = list[object]
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
    writer.writerows(_flow_rows(view) if view.query.picture == "flow" else _step_rows(view, viewer.language))
    name = re.sub(r"[^A-Za-z0-9-]+", "-", f"{context.backend.site.name}-energy-{text(view.from_ms)[:10]}")
    headers = {"content-disposition": f'attachment; filename="{name}.csv"', "cache-control": "no-store"}
    return Response(out.getvalue(), media_type="text/csv; charset=utf-8", headers=headers)


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


def _harmless(words: str) -> str:
    """A title that a spreadsheet takes for words and not for a formula."""
    return f"'{words}" if words.startswith(FORMULA) else words
