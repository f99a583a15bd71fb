"""Workbooks as another program reads them: numbers are numbers, formulas are not made of texts, same bytes."""

import io
import zipfile
from dataclasses import replace

import openpyxl

from meterd.adapters.documents.model import (
    Bars,
    Column,
    Course,
    Document,
    Facts,
    Heading,
    Moment,
    Number,
    Series,
    Table,
    Text,
)
from meterd.adapters.documents.xlsx import workbook

COLUMNS = (Column("Messpunkt", 30), Column("Energie [kWh]", 20, "right"), Column("Ab", 20))


def paper(*tables: Table) -> Document:
    """A document with tables."""
    blocks = (
        Heading("Kopf"),
        Text("Ein Satz."),
        Facts("f", (("Summe", Number(1.5, 1, "kWh")),)),
        *tables,
        Bars("Verlauf", "kWh", ("1",), (Series("Bezug", (None,)),), "fehlt", "Tag"),
    )
    return Document("Titel", "Bericht", "de", "Europe/Vienna", "fuß", "", blocks)


def opened(document: Document) -> openpyxl.Workbook:
    """The workbook read back."""
    return openpyxl.load_workbook(io.BytesIO(workbook(document)))


def test_numbers_times_and_texts_keep_their_kind() -> None:
    """An energy can be added up, a time is local, a designation that begins with = is no formula, missing is a word."""
    rows = (("=E1-Q11", Number(52099.598922, 3), Moment(1_772_319_600_000)), ("b", "fehlt", ""))
    worksheet = opened(paper(Table("Punkte", COLUMNS, rows)))["Punkte"]
    assert [cell.value for cell in worksheet[1]] == ["Messpunkt", "Energie [kWh]", "Ab"]
    assert (worksheet["A2"].value, worksheet["A2"].data_type) == ("=E1-Q11", "s")
    assert (worksheet["B2"].value, worksheet["B2"].number_format) == (52099.598922, "#,##0.000")
    assert worksheet["C2"].value.isoformat() == "2026-03-01T00:00:00"
    assert worksheet["B3"].value == "fehlt"
    assert (worksheet.freeze_panes, worksheet.print_title_rows) == ("B2", "$1:$1")


def test_worksheets_of_the_same_name_and_long_names() -> None:
    """At most 31 characters, none twice, no forbidden signs."""
    names = ("Punkte: a/b [x]", "Punkte: a/b [x]", "n" * 40, "n" * 40)
    book = opened(paper(*(Table(name, COLUMNS, ()) for name in names)))
    assert len(set(book.sheetnames)) == len(names) + 2
    assert all(len(name) <= 31 for name in book.sheetnames)


def test_first_worksheet_holds_texts_and_facts_and_bars_are_a_table() -> None:
    """Who cannot see the bars reads their figures; a missing one is the word."""
    book = opened(paper())
    first = [[cell.value for cell in row] for row in book["Bericht"].iter_rows(max_col=2)]
    assert ["Titel", None] in first
    assert ["Summe", 1.5] in first
    assert [[c.value for c in row] for row in book["Verlauf"].iter_rows()] == [["Tag", "Bezug [kWh]"], ["1", "fehlt"]]


def test_dates_have_the_form_of_the_language() -> None:
    """As on paper: found in a German workbook with 2026-03-01."""
    rows = (("a", Moment(1_772_319_600_000, date_only=True), Moment(1_772_319_600_000)),)
    for lang, date in (("de", "dd.mm.yyyy"), ("en", "yyyy-mm-dd")):
        worksheet = opened(replace(paper(Table("Punkte", COLUMNS, rows)), lang=lang))["Punkte"]
        assert [worksheet[cell].number_format for cell in ("B2", "C2")] == [date, f"{date} hh:mm"]


def test_a_time_touches_no_number_before_it() -> None:
    """Found by looking: "202.42026-11-20 07:15", and a rank that ran into the time of its demand."""
    columns = (Column("Rang", 19), Column("Intervall ab", 19), Column("Spitze [kW]", 19, "right"), Column("Von", 19))
    rows = ((Number(1.0, 0), Moment(1_772_319_600_000), Number(202.4, 1), Moment(1_772_319_600_000)),)
    worksheet = opened(paper(Table("Spitzen", columns, rows)))["Spitzen"]
    for cell in ("B2", "D2"):
        alignment = worksheet[cell].alignment
        assert (alignment.horizontal, alignment.indent) == ("left", 1), cell
        assert worksheet[cell].number_format == "dd.mm.yyyy hh:mm"


def test_rows_are_as_high_as_their_texts() -> None:
    """Found by looking: a program that does not fit rows by itself wrote headings and long texts over the next row."""
    columns = (Column("Messstelle", 19), Column("Anteil an den Abgängen [%]", 19, "right"), Column("Daten", 19))
    rows = (("Hauptverteilung Nord, Transformator", Number(1.0, 1), "gut"), ("kurz", Number(2.0, 1), "gut"))
    worksheet = opened(paper(Table("Punkte", columns, rows)))["Punkte"]
    heights = [worksheet.row_dimensions[row].height for row in (1, 2, 3)]
    assert heights[2] in (None, 15.0)
    assert heights[0] >= 45.0, "the heading takes three or four lines of ten letters"
    assert heights[1] >= 60.0, "so does the title of the board, whose longest word is broken"
    assert worksheet["B1"].alignment.horizontal == "right", "a heading leans to the side of its numbers"
    others = worksheet["C2"].alignment
    assert (worksheet["A2"].alignment.indent, others.indent, others.horizontal) == (0, 1, "left"), (
        "a gap behind a number"
    )


def test_a_text_that_fits_makes_no_second_line() -> None:
    """Found by looking: letters were counted as if each of them were as wide as a digit, and rows were a line too high."""
    names = ("Balance Main distribution north, transformer T1", "Costs of the highest demand: highest quarter hour")
    facts = tuple((name, "inside the band") for name in names)
    worksheet = opened(paper(Facts("Summary", (*facts, ("W" * 41, "wide letters")))))["Bericht"]
    heights = {row[0].value: worksheet.row_dimensions[row[0].row].height for row in worksheet.iter_rows()}
    assert [heights[name] in (None, 15.0) for name in names] == [True, True]
    assert heights["W" * 41] == 30.0


def test_a_line_of_hours_has_a_place_for_each_hour() -> None:
    """Found by looking: on an axis of dates all hours of a day stood above one another."""
    edges = tuple(range(0, 25 * 3_600_000, 3_600_000))
    course = Course("Last", "kW", "lines", edges, (Series("Last", tuple(map(float, range(24)))),), "fehlt", "Ab")
    with zipfile.ZipFile(io.BytesIO(workbook(paper(course)))) as files:
        charts = [files.read(name).decode() for name in files.namelist() if name.startswith("xl/charts/chart")]
    (drawn,) = [chart for chart in charts if "<c:lineChart>" in chart]
    assert "<c:dateAx>" not in drawn
    assert "<c:auto " not in drawn  # else a program takes the times for dates
    assert "<c:catAx>" in drawn


def test_no_number_time_or_word_of_a_heading_is_cut() -> None:
    """Found by looking: where a time was written in two lines on paper, the workbook showed ###."""
    columns = (Column("Gefunden am", 12), Column("Betrag", 10, "right"), Column("Bemessungsstrom", 10), Column("x", 10))
    rows = ((Moment(1_772_319_600_000), Number(1_234_567_890.5, 3, "kWh"), "", Moment(0, date_only=True)),)
    worksheet = opened(paper(Table("Punkte", columns, rows)))["Punkte"]
    widths = [worksheet.column_dimensions[letter].width for letter in "ABCD"]
    assert all(width >= least for width, least in zip(widths, (18, 21, 18, 11), strict=True)), widths


def test_the_first_worksheet_leads_to_the_others() -> None:
    """A heading is not followed by nothing: where the table stands on paper, a link leads to its worksheet."""
    book = opened(paper(Table("Punkte: a/b", COLUMNS, ())))
    links = {
        cell.hyperlink.location: cell.value for row in book["Bericht"].iter_rows() for cell in row if cell.hyperlink
    }
    assert links == {"'Punkte  a b'!A1": "→ Punkte  a b", "'Verlauf'!A1": "→ Verlauf"}
    assert book["Bericht"].sheet_properties.pageSetUpPr.fitToPage


def test_same_document_same_bytes() -> None:
    """No date of today in it."""
    assert workbook(paper()) == workbook(paper())
    assert opened(paper()).properties.created.year == 2000
