"""The evidence for a suspicion as a drawing: well-formed, every day drawn, gaps left open, words escaped."""

from xml.etree import ElementTree
from zoneinfo import ZoneInfo

from meterd.adapters.documents.evidence_svg import PANEL
from meterd.adapters.documents.evidence_svg import svg as drawn_by
from meterd.adapters.documents.texts import Texts
from meterd.core.drift.deviation_course import BoardCourse

DAY = 86_400_000
BEGIN = 1_772_319_600_000
VIENNA = ZoneInfo("Europe/Vienna")
TAG = "{http://www.w3.org/2000/svg}"


def svg(evidence: list[tuple[str, BoardCourse]], zone: ZoneInfo, lang: str = "en") -> str:
    """The drawing of a site with titles."""
    return drawn_by(evidence, zone, Texts(lang), {"q01": "Bakery, ovens", "north": "Main distribution"})


def course(days: int, gap: int = -1, began: int = 10) -> BoardCourse:
    """A residual that leaves its band."""
    values = [None if i == gap else (400 if i >= began else -3) * 1_000_000 for i in range(days)]
    bands = [None if value is None else 40_000_000 for value in values]
    at = [BEGIN + i * DAY for i in range(days)]
    return BoardCourse("north", BEGIN + began * DAY, at, values, bands, values, 0)


def test_two_panels_for_each_suspicion_with_the_day_it_began() -> None:
    """And the words of the suspicion, whatever stands in them."""
    drawing = ElementTree.fromstring(svg([("ovens <0.33> & more", course(20)), ("b", course(20, began=3))], VIENNA))
    texts = [item.text for item in drawing.iter(f"{TAG}text")]
    assert drawing.get("viewBox") == f"0 0 {PANEL.width} {4 * PANEL.height}"
    assert "ovens <0.33> & more" in texts
    assert [w for w in texts if w and w.startswith("began")] == ["began 11 Mar 2026"] * 2 + ["began 4 Mar 2026"] * 2
    assert "\N{MINUS SIGN}200" in texts
    assert drawing.find(f"{TAG}title") is not None


def test_points_and_boards_go_by_their_titles_in_the_language_of_the_reader() -> None:
    """Found on a drawing for an owner: English words and names of the plan."""
    output = "q01 reads 0.33 +- 0.01 of the true energy"
    for lang, wanted in (
        (
            "en",
            ("Bakery, ovens reads 0.33 ± 0.01 of the true energy", "began 11 Mar 2026", "Main distribution: feed side"),
        ),
        (
            "de",
            (
                "Bakery, ovens zählt das 0,33-Fache (± 0,01)",
                "begann am 11. März 2026",
                "Main distribution: Einspeisung minus",
            ),
        ),
    ):
        drawing = ElementTree.fromstring(svg([(output, course(20))], VIENNA, lang))
        texts = [item.text or "" for item in drawing.iter(f"{TAG}text")]
        assert [any(text.startswith(start) for text in texts) for start in wanted] == [True] * 3, texts
        assert not any("q01" in text or "north" in text for text in texts)


def test_a_day_without_a_balance_is_a_gap() -> None:
    """Two lines instead of one; a begin before the first day is not drawn."""

    def lines(drawn: BoardCourse) -> int:
        paths = ElementTree.fromstring(svg([("a", drawn)], VIENNA)).iter(f"{TAG}path")
        return sum(path.get("stroke-width") == "2" for path in paths)

    assert (lines(course(20)), lines(course(20, gap=5))) == (2, 4)
    assert "began" not in svg([("a", course(9, began=-3))], VIENNA)


def test_no_date_is_cut_off_at_the_margin() -> None:
    """Whatever the number of days."""
    for days in (7, 8, 20, 61, 90):
        drawing = ElementTree.fromstring(svg([("a", course(days))], VIENNA))
        dates = [float(t.get("x", 0)) for t in drawing.iter(f"{TAG}text") if (t.text or "").endswith(" 2026")]
        assert dates
        assert max(dates) + 70 <= PANEL.width + 2
