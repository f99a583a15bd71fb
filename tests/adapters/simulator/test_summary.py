"""The terminal shows every figure in words, says what is missing, and carries the cautions."""

from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from meterd.adapters.simulator.summary import CAUTION, LONGEST_LIST, Rates, line, render
from meterd.core.model.finding import Finding
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import PowerNow
from tests.snapshots import NOW_MS, snapshot

RATES = Rates(8.4, 120.0, 1000, 20000)
BROKER = "mosquitto_sub -h 127.0.0.1 -p 1883 -t 'energy/mill/#' -v"


def shown(picture, width=110):
    out = StringIO()
    Console(file=out, width=width, color_system=None).print(render(picture, RATES, BROKER))
    return out.getvalue()


def test_a_healthy_site_in_words_and_figures():
    text = shown(snapshot())
    for message in (
        "mill",
        "closed",
        "running",
        "25.00",
        "24.90",
        "+0.10",
        "± 0.25",
        "inside",
        "4 of 4",
        "Surplus  1.5 kW by the connection, 1 s old",
        "PV today  0.50 kWh, used on the site 0.40 kWh (self-consumption 80 %, self-sufficiency 33 %)",
        "Findings  none",
        "8 readings in, 120 messages out a second; 1000 in, 20000 out",
        BROKER,
    ):
        assert message in text, message


def test_missing_is_said_and_never_zero():
    picture = snapshot()
    board = picture.closed["main"]
    broken = replace(
        board,
        feed_mwh=None,
        residual_mwh=None,
        band_mwh=None,
        verdict="not computable",
        missing=("t1", *(f"q{n:02d}" for n in range(10))),
        estimated=True,
    )
    picture = replace(
        picture,
        closed={"main": broken},
        surplus=replace(picture.surplus, power_w=None, state=Quality.INVALID, reason="t1 is 70 s old"),
        production=PowerNow(None, NOW_MS, Quality.INVALID, "pv1 is silent"),
        pv_day=replace(picture.pv_day, production_mwh=None, self_consumption=None) if picture.pv_day else None,
    )
    text = " ".join(shown(picture, width=300).split())
    assert "missing" in text
    assert "not computable: t1, q00, q01, q02, q03, q04 and 5 more missing (estimated)" in text
    assert "Surplus invalid: t1 is 70 s old" in text
    assert "PV missing (pv1 is silent)" in text
    assert "PV today missing kWh" in text
    assert "self-consumption undefined" in text


@pytest.mark.parametrize("verdict", ["inside", "outside", "not computable"])
def test_the_verdict_is_a_word_without_colour(verdict):
    picture = snapshot()
    board = replace(picture.closed["main"], verdict=verdict)
    assert verdict in shown(replace(picture, closed={"main": board}, running={}))


def test_findings_newest_first_with_what_to_do_and_a_limit():
    findings = tuple(
        Finding("stale", f"q{n:02d}", NOW_MS - n * 60_000, f"q{n:02d} is silent.", "Look at its fuse.")
        for n in range(9)
    )
    text = shown(snapshot(findings=findings))
    lines = [row.strip() for row in text.splitlines()]
    first = lines.index("0 min  q00 is silent. Look at its fuse.")
    assert lines[first + 1].startswith("1 min  q01")
    assert f"and {9 - LONGEST_LIST} more" in text
    assert "Findings  9" in text


def test_names_and_texts_are_shown_as_they_are():
    """Markup and control characters in a text do nothing (faults H8)."""
    hostile = Finding("stale", "q1", NOW_MS, "[red]q1[/red] \x1b[2J is silent.")
    text = shown(snapshot(findings=(hostile,)))
    assert "[red]q1[/red]" in text
    assert "\x1b" not in text


def test_one_plain_line_for_a_pipe():
    text = line(snapshot(), RATES)
    assert "\n" not in text
    for message in ("main +0.10 of band 0.25 kWh inside", "surplus 1.5 kW", "PV ", "findings 0", "8 in/s 120 out/s"):
        assert message in text
    assert "no interval yet" in line(replace(snapshot(), closed={}, running={}), RATES)


def test_a_partial_surplus_says_so():
    picture = snapshot()
    partial = replace(picture, surplus=replace(picture.surplus, state=Quality.PARTIAL))
    assert "1 s old, partial" in shown(partial)


def test_on_backup_supply_the_surplus_is_none_and_why():
    picture = snapshot()
    backup = replace(picture.surplus, power_w=0.0, path="none", reason="on backup supply: generator")
    text = " ".join(shown(replace(picture, surplus=backup), width=300).split())
    assert "Surplus 0.0 kW on backup supply: generator" in text
    assert "by the none" not in text


def test_cautions_name_the_dangers():
    for text in (
        "qualified people",
        "current-transformer",
        "never proves a part dead",
        "feed back",
        "no protective device",
        "billing",
    ):
        assert text in CAUTION
