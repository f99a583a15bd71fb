"""The part of the report that says how far its figures can be trusted: gaps, estimates, corrections, findings, cautions."""

from collections.abc import Iterator, Mapping

from meterd.adapters.documents.cells import none_or, percent
from meterd.adapters.documents.model import Block, Cell, Column, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.texts import Words
from meterd.adapters.texts import wording
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.registers.corrections import STRUCK, Correction
from meterd.core.reports.content import CAUTIONS, Report
from meterd.core.reports.figures import Quality


def quality_blocks(site: Site, report: Report, words: Words) -> Iterator[Block]:
    """Data quality, corrections, changes, open findings."""
    titles = wording.titles_of(site)
    yield Heading(words("data"))
    yield _quality_table(report, words)
    yield Text(words("data-note"), "note")
    yield Heading(words("corrections"))
    yield none_or(_corrections(report, words, titles), words)
    yield none_or(_changes(report, words), words)
    yield Heading(words("findings"))
    yield none_or(_findings(report, words, titles), words)
    yield Text(words("findings-note"), "note")


def _quality_table(report: Report, words: Words) -> Table:
    columns = (
        Column(words("point"), 56), Column(words("figures"), 22, "right"), Column(words("missing-part"), 22, "right"),
        Column(words("estimated-part"), 22, "right"), Column(words("bound-part"), 26, "right"),
        Column(words("changed-part"), 30, "right"),
    )  # fmt: skip
    odd = [point_line for point_line in report.points if not point_line.quality.plain]
    rows = [
        _quality_row(point_line.point.title or point_line.point.name, point_line.quality, words) for point_line in odd
    ]
    rest = len(report.points) - len(odd)
    if rest:
        good = sum((point_line.quality for point_line in report.points if point_line not in odd), Quality())
        rows.append(_quality_row(words("points-without" if rest > 1 else "point-without", count=rest), good, words))
    rows.append(_quality_row(words("all"), report.quality, words))
    return Table(words("data"), columns, tuple(rows), sums=1)


def _quality_row(name: str, quality: Quality, words: Words) -> tuple[Cell, ...]:
    counts = (quality.missing, quality.estimated, quality.bound, quality.changed)
    return (name, Number(quality.of, 0), *(percent(quality.part(count), words, decimals=2) for count in counts))


def _corrections(report: Report, words: Words, titles: Mapping[str, str]) -> Table:
    columns = (
        Column(words("point"), 34), Column(words("register"), 16), Column(words("from"), 25), Column(words("until"), 25),
        Column(words("factor"), 16, "right"), Column(words("reason"), 40), Column(words("person"), 24),
    )  # fmt: skip
    rows = tuple(
        (
            titles.get(correction.point, correction.point),
            correction.register,
            Moment(correction.from_ms),
            _until(correction, words),
            _change(correction, words),
            correction.reason,
            correction.person,
        )
        for correction in report.corrections
    )
    return Table(words("corrections"), columns, rows)


def _until(correction: Correction, words: Words) -> Cell:
    if correction.reads:
        return words("one-reading")
    return words("for-good") if correction.until_ms is None else Moment(correction.until_ms)


def _change(correction: Correction, words: Words) -> str:
    """Its factor, or what the one reading is taken for."""
    if not correction.reads:
        return correction.factor
    return (
        words("left-out")
        if correction.reads == STRUCK
        else f"= {correction.reads} {REGISTERS[correction.register].unit}"
    )


def _changes(report: Report, words: Words) -> Table:
    columns = (
        Column(words("change-reason"), 70), Column(words("change-figures"), 40, "right"), Column(words("change-newest"), 40),
    )  # fmt: skip
    rows = tuple(
        (
            words.known("reason-" + change.reason.replace(" ", "-"), change.reason),
            Number(change.figures, 0),
            Moment(change.newest_ms),
        )
        for change in report.changes
    )
    return Table(words("changes"), columns, rows)


def _findings(report: Report, words: Words, titles: Mapping[str, str]) -> Table:
    columns = (
        Column(words("found-on"), 19), Column(words("concerns-from"), 19), Column(words("concerns-until"), 19),
        Column(words("cause"), 20), Column(words("subject"), 20), Column(words("finding"), 50), Column(words("remedy"), 40),
    )  # fmt: skip
    rows = tuple(
        (
            Moment(report_finding.found_ms),
            Moment(report_finding.from_ms),
            words("still-open") if report_finding.until_ms is None else Moment(report_finding.until_ms),
            wording.cause_words(words.lang, report_finding.row.finding.cause),
            titles.get(report_finding.row.finding.subject, report_finding.row.finding.subject),
            report_finding.row.finding.text,
            report_finding.row.finding.remedy,
        )
        for report_finding in report.findings
    )
    return Table(words("findings"), columns, rows)


def cautions(words: Words) -> Iterator[Block]:
    """What every document says about people, boards and bills."""
    yield Heading(words("cautions"))
    yield Text(" ".join(words(f"caution-{name}") for name in CAUTIONS), "caution")
