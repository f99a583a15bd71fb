"""The part of the report that says how far its figures can be trusted: gaps, estimates, corrections, findings, cautions."""

from collections.abc import Iterator

from meterd.correction import STRUCK, Correction
from meterd.papers.cells import none_or, percent
from meterd.papers.document import Block, Cell, Column, Heading, Moment, Number, Table, Text
from meterd.papers.wording import Words
from meterd.reading import REGISTERS
from meterd.report import CAUTIONS, Report
from meterd.report_figures import Quality


def quality_blocks(report: Report, words: Words) -> Iterator[Block]:
    """Data quality, corrections, changes, open findings."""
    yield Heading(words("data"))
    yield _quality_table(report, words)
    yield Text(words("data-note"), "note")
    yield Heading(words("corrections"))
    yield none_or(_corrections(report, words), words)
    yield none_or(_changes(report, words), words)
    yield Heading(words("findings"))
    yield none_or(_findings(report, words), words)
    yield Text(words("findings-note"), "note")


def _quality_table(report: Report, words: Words) -> Table:
    columns = (
        Column(words("point"), 56), Column(words("figures"), 22, "right"), Column(words("missing-part"), 22, "right"),
        Column(words("estimated-part"), 22, "right"), Column(words("bound-part"), 26, "right"),
        Column(words("changed-part"), 30, "right"),
    )  # fmt: skip
    odd = [one for one in report.points if not one.quality.plain]
    rows = [_quality_row(one.point.name, one.quality, words) for one in odd]
    rest = len(report.points) - len(odd)
    if rest:
        good = sum((one.quality for one in report.points if one not in odd), Quality())
        rows.append(_quality_row(words("points-without", count=rest), good, words))
    rows.append(_quality_row(words("all"), report.quality, words))
    return Table(words("data"), columns, tuple(rows), sums=1)


def _quality_row(name: str, one: Quality, words: Words) -> tuple[Cell, ...]:
    counts = (one.missing, one.estimated, one.bound, one.changed)
    return (name, Number(one.of, 0), *(percent(one.part(count), words, decimals=2) for count in counts))


def _corrections(report: Report, words: Words) -> Table:
    columns = (
        Column(words("point"), 34), Column(words("register"), 16), Column(words("from"), 25), Column(words("until"), 25),
        Column(words("factor"), 16, "right"), Column(words("reason"), 40), Column(words("person"), 24),
    )  # fmt: skip
    rows = tuple(
        (
            one.point,
            one.register,
            Moment(one.from_ms),
            _until(one, words),
            _change(one, words),
            one.reason,
            one.person,
        )
        for one in report.corrections
    )
    return Table(words("corrections"), columns, rows)


def _until(one: Correction, words: Words) -> Cell:
    if one.reads:
        return words("one-reading")
    return words("for-good") if one.until_ms is None else Moment(one.until_ms)


def _change(one: Correction, words: Words) -> str:
    """Its factor, or what the one reading is taken for."""
    if not one.reads:
        return one.factor
    return words("left-out") if one.reads == STRUCK else f"= {one.reads} {REGISTERS[one.register].unit}"


def _changes(report: Report, words: Words) -> Table:
    columns = (
        Column(words("change-reason"), 70), Column(words("change-figures"), 40, "right"), Column(words("change-newest"), 40),
    )  # fmt: skip
    rows = tuple(
        (
            words.known("reason-" + one.reason.replace(" ", "-"), one.reason),
            Number(one.figures, 0),
            Moment(one.newest_ms),
        )
        for one in report.changes
    )
    return Table(words("changes"), columns, rows)


def _findings(report: Report, words: Words) -> Table:
    columns = (
        Column(words("since"), 25), Column(words("cause"), 30), Column(words("subject"), 32), Column(words("finding"), 62),
        Column(words("remedy"), 36),
    )  # fmt: skip
    rows = tuple(
        (
            Moment(row.first_ms),
            words.known(f"cause-{row.finding.cause}", row.finding.cause),
            row.finding.subject,
            row.finding.text,
            row.finding.remedy,
        )
        for row in report.findings
    )
    return Table(words("findings"), columns, rows)


def cautions(words: Words) -> Iterator[Block]:
    """What every paper says about people, boards and bills."""
    yield Heading(words("cautions"))
    yield Text(" ".join(words(f"caution-{name}") for name in CAUTIONS), "caution")
