"""The part of the report that says how far its figures can be trusted: gaps, estimates, corrections, findings, cautions."""

from collections.abc import Iterator, Mapping

from meterd.adapters.documents.cells import none_or, percent
from meterd.adapters.documents.model import Block, Cell, Column, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts import wording
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.registers.corrections import STRUCK, Correction
from meterd.core.reports.content import CAUTIONS, Report
from meterd.core.reports.figures import Quality


def quality_blocks(site: Site, report: Report, texts: Texts) -> Iterator[Block]:
    """Data quality, corrections, changes, open findings."""
    titles = wording.titles_of(site)
    yield Heading(texts("data"))
    yield _quality_table(report, texts)
    yield Text(texts("data-note"), "note")
    yield Heading(texts("corrections"))
    yield none_or(_corrections(report, texts, titles), texts)
    yield none_or(_changes(report, texts), texts)
    yield Heading(texts("findings"))
    yield none_or(_findings(report, texts, titles), texts)
    yield Text(texts("findings-note"), "note")


def _quality_table(report: Report, texts: Texts) -> Table:
    columns = (
        Column(texts("point"), 56), Column(texts("figures"), 22, "right"), Column(texts("missing-part"), 22, "right"),
        Column(texts("estimated-part"), 22, "right"), Column(texts("bound-part"), 26, "right"),
        Column(texts("changed-part"), 30, "right"),
    )  # fmt: skip
    odd = [point_line for point_line in report.points if not point_line.quality.plain]
    rows = [
        _quality_row(point_line.point.title or point_line.point.name, point_line.quality, texts) for point_line in odd
    ]
    rest = len(report.points) - len(odd)
    if rest:
        good = sum((point_line.quality for point_line in report.points if point_line not in odd), Quality())
        rows.append(_quality_row(texts("points-without" if rest > 1 else "point-without", count=rest), good, texts))
    rows.append(_quality_row(texts("all"), report.quality, texts))
    return Table(texts("data"), columns, tuple(rows), sums=1)


def _quality_row(name: str, quality: Quality, texts: Texts) -> tuple[Cell, ...]:
    counts = (quality.missing, quality.estimated, quality.bound, quality.changed)
    return (name, Number(quality.of, 0), *(percent(quality.part(count), texts, decimals=2) for count in counts))


def _corrections(report: Report, texts: Texts, titles: Mapping[str, str]) -> Table:
    columns = (
        Column(texts("point"), 34), Column(texts("register"), 16), Column(texts("from"), 25), Column(texts("until"), 25),
        Column(texts("factor"), 16, "right"), Column(texts("reason"), 40), Column(texts("person"), 24),
    )  # fmt: skip
    rows = tuple(
        (
            titles.get(correction.point, correction.point),
            correction.register,
            Moment(correction.from_ms),
            _until(correction, texts),
            _change(correction, texts),
            correction.reason,
            correction.person,
        )
        for correction in report.corrections
    )
    return Table(texts("corrections"), columns, rows)


def _until(correction: Correction, texts: Texts) -> Cell:
    if correction.reads:
        return texts("one-reading")
    return texts("for-good") if correction.until_ms is None else Moment(correction.until_ms)


def _change(correction: Correction, texts: Texts) -> Cell:
    """Its factor, or what the one reading is taken for."""
    if not correction.reads:
        return _factor(correction.factor)
    return (
        texts("left-out")
        if correction.reads == STRUCK
        else f"= {correction.reads} {REGISTERS[correction.register].unit}"
    )


def _factor(text: str) -> Cell:
    """A factor with the digits that were entered; a quotient stays as it was written."""
    return text if "/" in text else Number(float(text), len(text.partition(".")[2]))


def _changes(report: Report, texts: Texts) -> Table:
    columns = (
        Column(texts("change-reason"), 70), Column(texts("change-figures"), 40, "right"), Column(texts("change-newest"), 40),
    )  # fmt: skip
    rows = tuple(
        (
            _reason(change.reason, texts),
            Number(change.figures, 0),
            Moment(change.newest_ms),
        )
        for change in report.changes
    )
    return Table(texts("changes"), columns, rows)


def _reason(reason: str, texts: Texts) -> str:
    """The stored reason of a change in words; that of a correction has its number."""
    what, _, number = reason.partition(" ")
    if what == "correction" and number:
        return texts("reason-correction-number", number=number)
    return texts.known("reason-" + reason.replace(" ", "-"), reason)


def _findings(report: Report, texts: Texts, titles: Mapping[str, str]) -> Table:
    columns = (
        Column(texts("found-on"), 17, two_lines=True), Column(texts("concerns-from"), 17, two_lines=True),
        Column(texts("concerns-until"), 17, two_lines=True), Column(texts("cause"), 18), Column(texts("subject"), 18),
        Column(texts("finding"), 44), Column(texts("remedy"), 56),
    )  # fmt: skip
    rows = tuple(
        (
            Moment(report_finding.found_ms),
            Moment(report_finding.from_ms),
            texts("still-open") if report_finding.until_ms is None else Moment(report_finding.until_ms),
            wording.cause_words(texts.lang, report_finding.row.finding.cause),
            wording.subject_words(texts.lang, titles, report_finding.row.finding.subject),
            report_finding.row.finding.text,
            report_finding.row.finding.remedy,
        )
        for report_finding in report.findings
    )
    return Table(texts("findings"), columns, rows)


def cautions(texts: Texts) -> Iterator[Block]:
    """What every document says about people, boards and bills."""
    yield Heading(texts("cautions"))
    yield Text(" ".join(texts(f"caution-{name}") for name in CAUTIONS), "caution")
