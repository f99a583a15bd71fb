"""Structure of the PDFs: another library reads every text in its order, what it is, and charts in words."""

import io
from pathlib import Path

import pypdf
import pytest

from meterd.adapters.documents.model import Column, Document, Heading, Number, Table, Text
from meterd.adapters.documents.pdf import pdf
from tests.adapters.documents.month import folder
from tests.adapters.documents.pdf_tree import TaggedPdf
from tests.adapters.documents.test_pdf import paper
from tests.adapters.documents.written_files import made


def tagged(data: bytes) -> TaggedPdf:
    """The tree and the marks of a document."""
    return TaggedPdf(pypdf.PdfReader(io.BytesIO(data)))


def kinds(item: TaggedPdf) -> list[tuple[str, str]]:
    """Kind and text of each element that has a text."""
    return [(node.kind, node.text) for node in item.tree.walk() if node.text and node.kind != "Figure"]


def test_tree_holds_every_text_of_a_document_in_its_order() -> None:
    """Headings, paragraphs, pairs, a table and what is signed; the head of the window shows the title."""
    result = tagged(pdf(paper(("Bäckerei", Number(1234.5)), ("Summe", Number(2.0)))))
    assert kinds(result) == [
        ("H1", "Bericht März"),
        ("H2", "Größen & <Maße>"),
        ("P", "Ein Absatz mit Öl & <b>spitzen</b> Klammern."),
        ("P", "Nur mit Sorgfalt."),
        *[("TH", "Von"), ("TD", "01.01.1970 01:00"), ("TH", "Summe"), ("TD", "1.234,5 kWh")],
        ("H3", "Unter"),
        *[("TH", "Messpunkt"), ("TH", "Energie [kWh]"), ("TD", "Bäckerei"), ("TD", "1.234,5")],
        *[("TD", "Summe"), ("TD", "2,0")],
        *[("TH", "Geprüft"), ("TD", "Name"), ("TD", "Datum"), ("TD", "Unterschrift")],
    ]
    assert result.root["/MarkInfo"]["/Marked"] in (True, "true")
    assert result.root["/Lang"] == "de"
    assert (result.tree.kind, result.tree.parts[0].kind) == ("Document", "H1")


def test_every_mark_is_in_the_tree_once_over_many_pages() -> None:
    """A table over pages stays one table; its heading is read once, the repeated ones are artifacts."""
    rows = tuple((f"punkt-{i:03d}", Number(float(i))) for i in range(200))
    result = tagged(pdf(paper(*rows)))
    assert sorted(result.used) == sorted(result.marks)
    assert len({page for page, _ in result.marks}) > 3
    texts = [text for _, text in kinds(result)]
    assert [text for text in texts if text.startswith("punkt-")] == [name for name, _ in rows]
    assert texts.count("Energie [kWh]") == 1
    assert result.artifacts.count("Energie [kWh]") >= 3
    tables = [node for node in result.tree.walk() if node.kind == "Table"]
    assert [len(table.parts) for table in tables] == [2, 201, 1]
    assert [cell.scope for cell in tables[1].parts[0].parts] == ["Column", "Column"]
    assert all(len(row.parts) == 2 for row in tables[1].parts)


def test_paragraph_over_two_pages_is_one_and_its_words_stay_apart() -> None:
    """Lines end between words, a word of many lines does not; other names of a column are broken too."""
    message = " ".join(f"Wort{i}" for i in range(1200))
    columns = (Column("Name", 20), Column("Name", 20))
    table = Table("t", columns, (("Hauptverteilung " * 4, "x" * 300),))
    blocks = (Heading("k"), Text(message), table)
    result = tagged(pdf(Document("t", "s", "de", "UTC", "f", "{page} {pages}", blocks)))
    assert [text for kind, text in kinds(result) if kind == "P"] == [message]
    assert [text for kind, text in kinds(result) if kind == "TD"] == [("Hauptverteilung " * 4).strip(), "x" * 300]
    assert len({page for page, _ in result.used}) > 1


def test_figure_has_its_words_and_its_place() -> None:
    """Bars with a gap: the highest and lowest value with its label, and what is missing."""
    (figure,) = [node for node in tagged(pdf(paper())).tree.walk() if node.kind == "Figure"]
    assert figure.alt == (
        "Balkendiagramm: b in kWh, 1 bis 2. Bezug: höchster Wert 3,0 (1), niedrigster Wert 3,0 (1). "
        "Bezug: fehlende Werte: 1. PV: höchster Wert 4.321,0 (2), niedrigster Wert 0,0 (1)."
    )
    assert "4.000" in figure.text


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plan with a stored month."""
    return folder(tmp_path_factory.mktemp("month"))


COMMANDS = {
    "report": (["--month", "2026-03"], 4),
    "cost-allocation": (["--month", "2026-03"], 0),
    "acceptance": (["--point", "bakery"], 0),
    "documents": ([], 0),
    "labels": ([], 9),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_document_of_a_command_is_tagged_as_a_whole(command: str, month: Path, tmp_path: Path) -> None:
    """All text that another route extracts is in the tree or an artifact; nothing is drawn outside of a mark."""
    arguments, figures = COMMANDS[command]
    path = made(tmp_path, command, month, *arguments, "--lang", "de", "--pdf", tmp_path / "d.pdf")
    reader = pypdf.PdfReader(path)
    result = TaggedPdf(reader)
    assert sorted(result.used) == sorted(result.marks)
    whole = "".join(page.extract_text() for page in reader.pages)
    tree = "".join(node.text for node in result.tree.walk())
    assert sorted("".join(whole.split())) == sorted("".join((tree + result.artifacts).split()))
    nodes = [node for node in result.tree.walk() if node.kind == "Figure"]
    assert len(nodes) >= figures
    assert all(node.alt for node in nodes)
    for table in (node for node in result.tree.walk() if node.kind == "Table"):
        assert any(cell.kind == "TH" for row in table.parts for cell in row.parts)
