"""The drawing of a drill: each hypothesis has a line style of its own, names are text and no markup, the fault has its place."""

from dataclasses import replace
from xml.etree import ElementTree

from meterd.adapters.documents.cusum_svg import BOTTOM, HEIGHT, LEFT, RIGHT, STYLES, TOP, WIDTH
from meterd.adapters.documents.cusum_svg import svg as drawn_by
from meterd.adapters.documents.texts import Texts
from meterd.core.drift.simulated_fault import Drill

DAY = 86_400_000
BEGIN = 1_777_845_600_000  # 2026-05-03 22:00 UTC: midnight in Vienna
SPACE = "{http://www.w3.org/2000/svg}"


TITLES = {"cold-store": "Cold store of the restaurant on the ground floor", "north": "Main distribution"}


def svg(result: Drill, lang: str = "en") -> str:
    """The drawing of a site with titles."""
    return drawn_by(result, Texts(lang), TITLES)


def drill(days: int = 11, **shown: tuple[float, ...]) -> Drill:
    """A drill of some days whose fault begins on the sixth, with these paths."""
    return Drill(
        "q<1>", 1.02, BEGIN + 5 * DAY, "Europe/Vienna", None, None, "", None, None, None, None, None, (),
        tuple(BEGIN + i * DAY for i in range(days)), tuple(shown), tuple(shown.values()), (8.0,) * days, "q<1> & others",
    )  # fmt: skip


def lines(drawing: str) -> tuple[list[ElementTree.Element], list[str]]:
    """Its lines of values and its texts; fails where it is no XML."""
    root = ElementTree.fromstring(drawing)
    return list(root.iter(f"{SPACE}polyline")), ["".join(item.itertext()) for item in root.iter(f"{SPACE}text")]


def test_every_hypothesis_is_told_apart_without_colour() -> None:
    """And the point of the drill, the first one, is drawn last: it lies on top of those that rise with it."""
    names = [f"q{k:02d}" for k in range(len(STYLES))]
    polylines, texts = lines(svg(drill(**{f"ratio {name}": (float(k),) * 11 for k, name in enumerate(names)})))
    dashes = [item.get("stroke-dasharray") for item in polylines[1:]]
    assert len(set(dashes)) == len(STYLES)
    assert [text for text in texts if text in names] == names[::-1]
    assert polylines[0].get("stroke-width") == "3", "the threshold"


def test_values_keep_inside_the_frame_and_their_scale_holds_the_highest() -> None:
    polylines, texts = lines(svg(drill(one=tuple(float(i) for i in range(11)), two=(20.0,) * 11)))
    points = [tuple(map(float, pair.split(","))) for item in polylines for pair in str(item.get("points")).split()]
    assert all(LEFT <= x <= WIDTH - RIGHT and TOP <= y <= HEIGHT - BOTTOM for x, y in points)
    assert "21" in texts, "the top of the scale: 20 and a twentieth"
    rising = [float(pair.split(",")[1]) for pair in str(polylines[-1].get("points")).split()]
    assert rising == sorted(rising, reverse=True), "the higher value stands higher"


def test_the_fault_begins_after_the_evening_before_and_dates_are_local() -> None:
    drawing = svg(drill(one=(1.0,) * 11))
    root = ElementTree.fromstring(drawing)
    fault = next(
        item for item in root.iter(f"{SPACE}line") if item.get("stroke") == "black" and item.get("stroke-dasharray")
    )
    assert float(str(fault.get("x1"))) == LEFT + (WIDTH - LEFT - RIGHT) * 4 / 10
    _, texts = lines(drawing)
    assert {"4 May 2026", "14 May 2026", "fault begins"} <= set(texts)


def test_a_chart_that_gave_the_alarm_is_not_drawn_back_to_zero_on_that_evening() -> None:
    """Found in a drill: the line fell to 0 on the day on which it passed its threshold, as if nothing had been found."""
    path = (0.0,) * 5 + (3.0, 6.0, 0.0, 1.0, 2.0, 3.0)
    results = replace(drill(one=path), found_ms=BEGIN + 8 * DAY, found_by="drift")
    polylines, texts = lines(svg(results))
    assert "found" in texts
    assert [len(str(item.get("points")).split()) for item in polylines] == [11, 7, 3]
    last = str(polylines[1].get("points")).split()[-1]
    highest = min(float(pair.split(",")[1]) for item in polylines[1:] for pair in str(item.get("points")).split())
    assert float(last.split(",")[1]) == highest
    assert "found" not in lines(svg(replace(results, found_by="gross")))[1], "one day alone was enough"


def test_names_are_text_and_a_drill_without_days_is_drawn_too() -> None:
    _, texts = lines(svg(drill(0)))
    assert "q<1> & others" in texts
    assert "q<1> reading 1.02 of the truth" in texts
    assert "fault begins" not in texts


def test_what_was_tried_goes_by_its_title_in_the_language_of_the_reader() -> None:
    """Every kind of hypothesis, the sentence, days and numbers; nothing is cut off at the right or below."""
    names = ("ratio cold-store", "ct-set a", "standing board north", "loss board north", "standing below cold-store")
    output = "cold-store reading -2.00 % would have been found after 1 day and rightly named after 12 days"
    result = replace(drill(**dict.fromkeys(names, (1.0,) * 11)), point="cold-store", text=output)
    title = TITLES["cold-store"]
    texts = {lang: lines(svg(result, lang))[1] for lang in ("en", "de")}
    north = TITLES["north"]
    keys = {title, "CT set a", f"unmetered load: {north}", f"losses: {north}", f"unmetered load: below {title}"}
    assert keys | {"threshold", "fault begins"} <= set(texts["en"])
    assert {"Schwelle", "Fehler beginnt", f"{title} zählt das 1,02-Fache der Wahrheit", "4. Mai 2026"} <= set(
        texts["de"]
    )
    assert f"{title} mit −2,00 % Abweichung wäre nach 1 Tag gefunden und nach 12 Tagen richtig benannt" in " ".join(
        texts["de"]
    )
    assert not any("cold-store" in text or "reading" in text for text in texts["de"])
    root = ElementTree.fromstring(svg(result, "de"))
    _, _, wide, high = map(float, str(root.get("viewBox")).split())
    ends = [
        float(str(t.get("x"))) + 6.2 * len(t.text or "") for t in root.iter(f"{SPACE}text") if not t.get("text-anchor")
    ]
    assert max(ends) <= wide
    assert max(float(str(t.get("y"))) for t in root.iter(f"{SPACE}text")) < high
