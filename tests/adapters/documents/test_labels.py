"""Labels: every point once, the code carries the topic, long names stay inside."""

import io
from dataclasses import replace

import pypdf
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.pdfbase.pdfmetrics import stringWidth

from meterd.adapters.documents.acceptance import PlanRevision
from meterd.adapters.documents.fonts import PLAIN, letters
from meterd.adapters.documents.labels import label_pdf, labels_of, wrapped
from meterd.core.model.plan import PointState
from tests.example_plans import example

MILL = example("harrow-mill")


def test_label_says_who_where_what_and_carries_the_topic() -> None:
    """The instrument is the one that is there now, after the exchange of 2025."""
    (label,) = labels_of(PlanRevision(MILL, "ab", "0"), [MILL.point("climbing-hall")], "de")
    assert label.lines == ("Climbing hall", "Climbing hall", "-Q51-P1", "Serien-Nr. HM-1101")
    assert (label.name, label.code) == ("climbing-hall", "energy/harrow-mill/point/climbing-hall")


def test_retired_points_have_no_label() -> None:
    """Nobody shall stick one on."""
    gone = replace(MILL.point("cafe"), state=PointState.RETIRED)
    assert labels_of(PlanRevision(MILL, "ab", "0"), [gone], "en") == ()


def test_fourteen_on_a_sheet_and_the_same_bytes() -> None:
    """Every name is on paper once."""
    revision = PlanRevision(MILL, "ab", "0")
    labels = labels_of(revision, MILL.points[-16:], "en")
    data = label_pdf(revision, labels, "en")
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    assert len(pages) == -(-len(labels) // 14)
    lines = [line for page in pages for line in page.extract_text().splitlines()]
    assert all(lines.count(label.name) == 1 for label in labels)
    assert data == label_pdf(revision, labels, "en")


def test_longest_name_of_a_plan_fits_the_code_and_the_label() -> None:
    """A name without a place to break is cut into lines that fit."""
    letters()
    text = "x" * 63 + " " + "kurz"
    assert all(stringWidth(line, PLAIN, 8) <= 100 for line in wrapped(text, PLAIN, 8, width=100))
    assert "".join(wrapped(text, PLAIN, 8, width=100)) == text.replace(" ", "")
    widget = QrCodeWidget(f"energy/{'s' * 63}/point/{'p' * 63}", barLevel="M")
    widget.qr.make()
    assert widget.qr.getModuleCount() <= 57  # 30 mm over 57 + 8 modules: 0.46 mm each, read by any telephone
