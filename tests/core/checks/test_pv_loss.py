"""Sentences of PV arrays: what is missing, since when, by what it was found; each can be read in German."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.texts import wording
from meterd.core.checks.pv_loss import pv_finding, roof_end
from meterd.core.model.finding_cause import Urgency, blames_a_meter, cause_of
from meterd.core.model.plan import Site
from meterd.core.pv.roof_watch import Look, Loss
from meterd.core.texts.finding_translation import Kind
from tests.core.pv.roofs import roof

SITE = Site("mill", ZoneInfo("Europe/Vienna").key)
DAYS = roof(5)
LOSS = Loss("pv-hall", Look.NEIGHBOURS, 1, 3, 0.204, 3)
CASES = [
    (LOSS, "pv-loss", "pv-hall gives 20 % less than before under a clear sky, since 2024-01-02"),
    (replace(LOSS, look=Look.ALONE), "pv-loss", "pv-hall gives 20 % less than before under a clear sky, since 2024-01-02"),
    (replace(LOSS, look=Look.BRIGHT, loss=0.5), "pv-loss",
     "pv-hall gives about 50 % less than before against the other arrays, since 2024-01-02"),
    (replace(LOSS, look=Look.SEASON), "pv-loss", "pv-hall gives 20 % less than in the same season of the year before"),
    (replace(LOSS, look=Look.SHADE, slots=(25, 34)), "pv-loss",
     "pv-hall gives 20 % less than a year before between 6:00 and 8:30 o'clock standard time"),
    (replace(LOSS, look=Look.CLOCK, loss=60.0), "pv-clock",
     "pv-hall: its days come 60 min later than before, since 2024-01-02"),
    (replace(LOSS, look=Look.CLOCK, loss=-30.0), "pv-clock",
     "pv-hall: its days come 30 min earlier than before, since 2024-01-02"),
]  # fmt: skip


def german_of(sentence: str) -> str:
    """In German, nothing of it left in English."""
    parts = wording.phrases("de").read(sentence)
    assert all(part.kind is not Kind.FOREIGN for part in parts), sentence
    return "".join(part.words for part in parts)


@pytest.mark.parametrize(("loss", "cause", "text"), CASES, ids=[f"{n}-{case[0].look}" for n, case in enumerate(CASES)])
def test_each_look_has_its_sentence(loss: Loss, cause: str, text: str) -> None:
    """Text, evidence and remedy in both languages; its subject is the point."""
    finding = pv_finding(loss, DAYS, SITE)
    assert (finding.id, finding.text, finding.points) == (f"{cause}-pv-hall", text, ("pv-hall",))
    assert finding.at_ms == int(DAYS.at_ms[1, 0])
    for sentence in (finding.text, finding.remedy, *finding.evidence):
        assert german_of(sentence) != sentence
    assert len(finding.evidence) == 1


def test_a_loss_that_is_over_says_since_when() -> None:
    """By the name of its finding."""
    name, text = roof_end(replace(LOSS, ended=4), DAYS, SITE)
    assert (name, text) == ("pv-loss-pv-hall", "the array gives as much as before again, since 2024-01-05")
    assert german_of(text) == "das Feld liefert wieder so viel wie zuvor, seit 2024-01-05"


def test_a_loss_costs_money_and_blames_no_meter() -> None:
    """It stands among what costs; a wrong clock among the meters."""
    loss, clock = cause_of("pv-loss"), cause_of("pv-clock")
    assert loss is not None
    assert clock is not None
    assert (loss.urgency, clock.urgency) == (Urgency.COSTS, Urgency.METER)
    assert not blames_a_meter("pv-loss")
