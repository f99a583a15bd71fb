"""PDF: same bytes, embedded letters, bookmarks, headings on every page, nothing that breaks on odd texts."""

import io
from dataclasses import replace

import pypdf
import pytest
from reportlab.pdfbase.pdfmetrics import stringWidth

from meterd.adapters.documents.fonts import printable
from meterd.adapters.documents.model import (
    Bars,
    Column,
    Document,
    Facts,
    Heading,
    Moment,
    Number,
    Series,
    Sign,
    Table,
    Text,
)
from meterd.adapters.documents.pdf import pdf

LONG = "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft" * 2


def paper(*rows: tuple[str, Number], lang: str = "de") -> Document:
    """A document with one block of each kind."""
    columns = (Column("Messpunkt", 30), Column("Energie [kWh]", 30, "right"))
    blocks = (
        Heading("Größen & <Maße>"),
        Text("Ein Absatz mit Öl & <b>spitzen</b> Klammern."),
        Text("Nur mit Sorgfalt.", "caution"),
        Facts("f", (("Von", Moment(0)), ("Summe", Number(1234.5, 1, "kWh")))),
        Heading("Unter", 2),
        Table("t", columns, rows, sums=1 if rows else 0),
        Bars("b", "kWh", ("1", "2"), (Series("Bezug", (3.0, None)), Series("PV", (0.0, 4321.0))), "fehlt", "Tag"),
        Sign(("Geprüft",), ("Name", "Datum", "Unterschrift")),
    )
    return Document("Bericht März", "Bericht", lang, "Europe/Vienna", "fuß", "Seite {page} von {pages}", blocks)


def read(data: bytes) -> pypdf.PdfReader:
    """As another program reads it."""
    return pypdf.PdfReader(io.BytesIO(data))


def test_title_language_and_bookmarks() -> None:
    """A reader's window shows the title, a screen reader knows the language, the outline leads to the chapters."""
    result = read(pdf(paper(("a", Number(1.0)))))
    root = result.trailer["/Root"]
    assert result.metadata is not None
    assert (result.metadata.title, root["/Lang"]) == ("Bericht März", "de")
    assert root["/ViewerPreferences"]["/DisplayDocTitle"] in (True, "true")
    names = [
        item["/Title"] if not isinstance(item, list) else [sub["/Title"] for sub in item] for item in result.outline
    ]
    assert names == ["Bericht März", "Größen & <Maße>", ["Unter"]]


def test_heading_of_a_table_comes_back_on_each_page_with_its_number() -> None:
    """Two hundred rows over several pages; page x of y counts them."""
    rows = tuple((f"punkt-{i:03d}", Number(float(i))) for i in range(200))
    pages = read(pdf(paper(*rows))).pages
    texts = [page.extract_text() for page in pages]
    assert len(texts) > 3
    for i, text in enumerate(texts):
        assert f"Seite {i + 1} von {len(texts)}" in text
        assert ("Energie [kWh]" in text) == ("punkt-" in text)
    whole = "".join(texts)
    assert all(f"punkt-{i:03d}" in whole for i in range(200))


def test_umlauts_and_signs_are_letters_and_not_pictures() -> None:
    """Copied out of the document they are the same."""
    text = read(pdf(paper(("Bäckerei Öztürk, 5 m²", Number(1234.5))))).pages[0].extract_text()
    for wanted in ("Größen & <Maße>", "<b>spitzen</b>", "Bäckerei Öztürk, 5 m²", "1.234,5", "01.01.1970 01:00"):
        assert wanted in text


def test_fonts_that_carry_text_are_embedded() -> None:
    """The document looks the same everywhere."""
    fonts = read(pdf(paper(("a", Number(1.0))))).pages[0]["/Resources"]["/Font"]
    described = [font.get_object() for font in fonts.values()]
    vera = [font for font in described if "Vera" in font["/BaseFont"]]
    assert len(vera) >= 3
    assert all("/FontFile2" in font["/FontDescriptor"] for font in vera)


@pytest.mark.parametrize("name", [LONG, LONG + " " + LONG, "", "名前 שלום", "x" * 500], ids=range(5))
def test_any_name_fits_into_its_column(name: str) -> None:
    """A name without a place to break is broken, a letter without a form becomes a question mark."""
    assert len(read(pdf(paper((name, Number(1.0))))).pages) >= 1


def test_empty_table_and_no_rows() -> None:
    """Headings alone."""
    assert "Messpunkt" in read(pdf(paper())).pages[0].extract_text()


def test_letters_that_the_font_lacks_lose_their_accent() -> None:
    """Better a plain letter than a box; what has no plain letter is a question mark."""
    assert printable("Jiří Dvořák") == "Jirí Dvorák"
    assert printable("日") == "?"


def places(data: bytes) -> dict[str, tuple[float, float]]:
    """Where each piece of text begins on the first page, and how large its letters are."""
    results: dict[str, tuple[float, float]] = {}

    def visit(piece: str, matrix: list[float], place: list[float], _font: object, size: float) -> None:
        if piece.strip():
            results[piece.strip()] = (matrix[0] * place[4] + matrix[4], size)

    read(data).pages[0].extract_text(visitor_text=visit)
    return results


def test_there_is_a_gap_between_numbers_and_a_text_behind_them() -> None:
    """Found by looking: a verdict began a millimetre behind the band, as if it belonged to the number."""
    columns = (Column("Name", 60), Column("Figure", 30, "right"), Column("Verdict", 90))
    table = Table("t", columns, (("row", Number(1234.5, 1), "inside"),))
    results = places(pdf(Document("T", "s", "en", "UTC", "", "", (table,))))
    end = results["1,234.5"][0] + stringWidth("1,234.5", "Vera", 7.5)
    assert 10 < results["inside"][0] - end < 20


def test_a_title_stands_on_one_line() -> None:
    """Found by looking: one word of a title alone on the second line made a page more of a statement."""
    short, long = "Report May", "Energieaufstellung September 2026, Bäckerei, Harrow Mill"
    sizes = {title: places(pdf(replace(paper(), title=title)))[title][1] for title in (short, long)}
    assert 12 < sizes[long] < sizes[short]
    far_too_long = places(pdf(replace(paper(), title=f"{long} {short} {long}")))
    assert min(size for _, size in far_too_long.values() if size > 11.6) > 11.8, "it takes more lines instead"


def test_same_document_same_bytes() -> None:
    """And another document other bytes."""
    document = paper(("a", Number(1.0)))
    assert pdf(document) == pdf(document)
    assert pdf(document) != pdf(paper(("a", Number(2.0))))
