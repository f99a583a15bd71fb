"""Sentences of unusual use: weekday, date, percent or kilowatt, what is usual and what was taken; in German too."""

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.texts import wording
from meterd.core.checks.root_cause import one_cause
from meterd.core.checks.unusual_use import end_of, unusual_finding
from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import Urgency, blames_a_meter, cause_of
from meterd.core.model.periods import DAY_MS, to_ms
from meterd.core.model.plan import Site
from meterd.core.texts.finding_translation import Kind as PartKind
from meterd.core.unusual.watch import Ended, Kind, Unusual

ZONE = ZoneInfo("Europe/Vienna")
SITE = Site("mill", ZONE.key)
TUESDAY = to_ms(datetime(2026, 5, 5, tzinfo=ZONE))
WEEK = Unusual("cold-store", Kind.WEEK, TUESDAY, TUESDAY + 5 * DAY_MS, 569_000.0, 412_000.0, 6, 1.0, 420_000.0)
WEEKEND = replace(WEEK, load="ventilation", kind=Kind.WEEKEND, first_ms=TUESDAY + 4 * DAY_MS)
NIGHT = replace(WEEK, load="ovens", kind=Kind.NIGHT, taken=6_050.0, usual=2_010.0)
CASES = [
    (WEEK, "cold-store took 38 % more than usual for a week like this, since Tuesday 2026-05-05;"
           " usual 412 kWh by 6 comparable weeks, taken 569 kWh"),
    (replace(WEEKEND, taken=181_000.0, usual=12_300.0, workdays=200_000.0), "ventilation ran through the weekend of 2026-05-09;"
     " usual 12.3 kWh by 6 comparable weeks, taken 181 kWh"),
    (WEEKEND, "ventilation took 38 % more than usual for a weekend like this, since Saturday 2026-05-09;"
              " usual 412 kWh by 6 comparable weeks, taken 569 kWh"),
    (replace(WEEK, taken=2_060_000.0), "cold-store took 5 times as much as usual for a week like this, since Tuesday 2026-05-05;"
                                       " usual 412 kWh by 6 comparable weeks, taken 2060 kWh"),
    (replace(WEEKEND, taken=823_000.0), "ventilation took 2 times as much as usual for a weekend like this,"
     " since Saturday 2026-05-09; usual 412 kWh by 6 comparable weeks, taken 823 kWh"),
    (NIGHT, "the night-time base load of ovens rose by 4.04 kW on 2026-05-05;"
            " usual 2.01 kW by 6 comparable weeks, taken 6.05 kW"),
    (replace(NIGHT, kind=Kind.LIMIT, usual=2_000.0), "ovens takes 6.05 kW by night since 2026-05-05,"
                                                      " more than its limit of 2.00 kW"),
    (replace(NIGHT, load="mill"), "the site's night-time base load rose by 4.04 kW on 2026-05-05;"
                                  " usual 2.01 kW by 6 comparable weeks, taken 6.05 kW"),
]  # fmt: skip
ENDS = [
    ("as before", "cold-store takes no more than usual since 2026-05-12"),
    ("usual now", "what cold-store takes since 2026-05-05 has become usual"),
    ("accepted", "taken as the new normal on 2026-05-12"),
]


def german_of(sentence: str) -> str:
    """In German, nothing of it left in English."""
    parts = wording.phrases("de").read(sentence)
    assert all(part.kind is not PartKind.FOREIGN for part in parts), sentence
    return "".join(part.words for part in parts)


@pytest.mark.parametrize(
    ("item", "text"), CASES, ids=["week", "ran-through", "weekend", "five-times", "twice", "night", "limit", "site"]
)
def test_the_sentence_says_what_since_when_and_by_how_much(item: Unusual, text: str) -> None:
    """Its subject is the point; that of the whole site names no point. It can be read in German."""
    finding = unusual_finding(item, SITE)
    assert finding.text == text
    assert (finding.id, finding.at_ms) == (f"unusual-use-{item.load}", item.first_ms)
    assert finding.points == (() if item.load == "mill" else (item.load,))
    assert "comparable" not in german_of(finding.text)
    assert german_of(finding.remedy) != finding.remedy


def test_what_the_other_loads_did_is_told_where_it_counts() -> None:
    """A cold week that all loads share stands beside the figures; one in a hundred does not."""
    assert unusual_finding(replace(WEEK, others=1.01, air=0.99), SITE).evidence == ()
    for others, text in (
        (1.124, "the other loads took 12 % more than usual"),
        (0.9, "the other loads took 10 % less than"),
    ):
        (line,) = unusual_finding(replace(WEEK, others=others), SITE).evidence
        assert line.startswith(text)
        assert "other loads" not in german_of(line)
        (line,) = unusual_finding(replace(WEEK, air=others), SITE).evidence
        assert line.startswith(f"by the outdoor temperatures {text.removeprefix('the other loads took ')[:9]}")
        assert "temperatures" not in german_of(line)


@pytest.mark.parametrize(("how", "text"), ENDS, ids=["over", "usual", "accepted"])
def test_the_end_says_since_when_and_how(how: str, text: str) -> None:
    ended = Ended("cold-store", Kind.WEEK, TUESDAY, TUESDAY + 7 * DAY_MS, how)
    assert end_of(ended, SITE) == text
    assert "since" not in german_of(text)


def test_it_is_to_be_looked_at_and_blames_no_meter() -> None:
    """Last in the order of urgency."""
    cause = cause_of("unusual-use")
    assert cause is not None
    assert cause.urgency is Urgency.LOOK is max(Urgency)
    assert not blames_a_meter("unusual-use")


def test_a_meter_that_is_found_wrong_says_nothing_of_its_load() -> None:
    """Its unusual use is evidence of what is wrong with it; that of another point stays a finding."""
    drift = Finding("drift", "cold-store", TUESDAY, "cold-store reads 38 % high", points=("cold-store",))
    ovens = unusual_finding(NIGHT, SITE)
    first, second = one_cause(SITE, [unusual_finding(WEEK, SITE), drift, ovens])
    assert {first.id, second.id} == {"drift-cold-store", "unusual-use-ovens"}
    (evidence,) = next(f for f in (first, second) if f.cause == "drift").evidence
    assert evidence.startswith("cold-store took 38 % more")
