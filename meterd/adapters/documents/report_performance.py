"""The performance ratio of the PV arrays in the period, as a part of the report."""

from collections.abc import Iterator

from meterd.adapters.documents.model import Block, Column, Heading, Number, Table, Text
from meterd.adapters.documents.texts import Texts
from meterd.core.model.plan import Site
from meterd.core.pv.performance import Performance
from meterd.core.reports.content import Report


def performance_blocks(site: Site, report: Report, texts: Texts) -> Iterator[Block]:
    """A row for each array; nothing where no irradiance is read."""
    if not report.performance:
        return
    yield Heading(texts("performance"))
    columns = (
        Column(texts("performance-array"), 60), Column(texts("performance-peak"), 24, "right"),
        Column(texts("performance-final"), 26, "right"), Column(texts("performance-reference"), 30, "right"),
        Column(texts("performance-ratio"), 22, "right"), Column(texts("performance-days"), 24, "right"),
    )  # fmt: skip
    yield Table(texts("performance"), columns, tuple(_row(site, item, texts) for item in report.performance))
    yield Text(texts("performance-note"), "note")


def _row(site: Site, item: Performance, texts: Texts) -> tuple[str | Number, ...]:
    whole, missing = item.whole, texts("performance-missing")
    ratio = None if whole is None else whole.ratio
    final = None if whole is None else whole.final_h
    reference = None if whole is None else whole.reference_h
    return (
        site.point(item.point).title or item.point,
        Number(item.peak_kw, 1),
        missing if final is None else Number(final, 1),
        missing if reference is None else Number(reference, 1),
        missing if ratio is None else Number(100 * ratio, 1),
        texts("performance-known", known=item.known, all=len(item.days)),
    )
