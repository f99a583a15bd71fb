"""The schedule of meters and the labels follow the plan."""

from pathlib import Path

from meterd.adapters.planfile.loader import load_plan
from tests.adapters.documents.written_files import book, made, text


def test_documents_and_labels_follow_the_plan(hof: Path, tmp_path: Path) -> None:
    """Every point, every instrument, every input, the revision and the newest date in the plan."""
    sheets = book(made(tmp_path, "documents", hof, "--lang", "de", "--xlsx", tmp_path / "d.xlsx"))
    site = load_plan(hof).site
    assert [str(row[0]).split(":")[0] for row in sheets["Messstellen"][1:]] == [p.name for p in site.points]
    assert len(sheets["Zählerliste"]) == 1 + len(site.instruments)
    assert len(sheets["Datenquellen der Zählwerke"]) == 1 + len(site.inputs)
    facts = {row[0]: row[1] for row in sheets["Messung"]}
    assert facts["Stand des Messplans"] == load_plan(hof).fingerprint[:12]
    assert facts["Neuestes Datum im Plan"].date().isoformat() == "2024-05-02"
    assert "bakery" in text(made(tmp_path, "labels", hof, "--point", "bakery", "--pdf", tmp_path / "l.pdf"))
