"""The corrections of a report as a table: by a factor, and of single readings."""

from dataclasses import replace

import pytest

from meterd.adapters.documents.model import Moment, Number, Table
from meterd.adapters.documents.report_quality import quality_blocks
from meterd.adapters.documents.texts import Texts
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import STRUCK, Correction
from meterd.core.reports.content import Change, ReportData, make_report
from tests.core.reports.test_content import BEGIN, MATERIAL, SITE

PLAIN = Correction(1, "a", IMPORT, BEGIN, None, "5/4", "plate", "Ada", 1)
READ = replace(PLAIN, id=2, from_ms=BEGIN + 1, until_ms=BEGIN + 2, factor="", reads="12000.5")
GONE = replace(READ, id=3, from_ms=BEGIN + 3, until_ms=BEGIN + 4, reads=STRUCK)


@pytest.mark.parametrize(
    ("language", "good", "item", "out"),
    [("en", "no end", "one reading", "left out"), ("de", "ohne Ende", "eine Ablesung", "ausgelassen")],
)
def test_a_corrected_reading_stands_beside_factors(language: str, good: str, item: str, out: str) -> None:
    """What it is taken for in the column of the factor; its moment has no end."""
    report = make_report(SITE, replace(MATERIAL, corrections=(GONE, READ, PLAIN)))
    texts = Texts(language)
    table = next(
        block
        for block in quality_blocks(SITE, report, texts)
        if isinstance(block, Table) and block.name == texts("corrections")
    )
    assert [(row[2], row[3], row[4]) for row in table.rows] == [
        (Moment(BEGIN), good, "5/4"),
        (Moment(BEGIN + 1), item, "= 12000.5 Wh"),
        (Moment(BEGIN + 3), item, out),
    ]


def table_of(name: str, data: ReportData) -> Table:
    """A table of the quality of a report in German."""
    texts = Texts("de")
    blocks = quality_blocks(SITE, make_report(SITE, data), texts)
    return next(block for block in blocks if isinstance(block, Table) and block.name == texts(name))


def test_a_factor_is_a_number_of_the_language() -> None:
    """With the digits that were entered: found as `1.041` in a German report."""
    table = table_of("corrections", replace(MATERIAL, corrections=(replace(PLAIN, factor="1.041"),)))
    assert table.rows[0][4] == Number(1.041, 3)


@pytest.mark.parametrize(
    ("reason", "text"),
    [
        ("correction 12", "der Korrektur 12"),
        ("plan changed", "eines geänderten Messplans"),
        ("late readings", "verspäteter Ablesungen"),
        ("zone rules changed", "geänderter Regeln der Zeitzone"),
        ("old readings imported", "eingelesener alter Ablesungen"),
        ("something of a later version", "something of a later version"),
    ],
)
def test_reasons_of_changes_are_in_the_language(reason: str, text: str) -> None:
    """Found as `correction 1` in a German report."""
    table = table_of("changes", replace(MATERIAL, changes=(Change(reason, 4, BEGIN),)))
    assert table.rows[0][0] == text
