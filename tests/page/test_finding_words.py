"""Sentences of findings in German: every one the program can make has a German form, and what has none is not lost.

The sentences are read off the source (tests/sayings.py), so that a new one is missed here before somebody meets it on the
page: put its template under the same key into meterd/page/words/en/finding_*.toml and .../de/finding_*.toml. What may stand in
a slot is said in meterd/phrases.py.
"""

import cmath
import math
from collections.abc import Iterable
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd import causes, clock_change
from meterd.app.drift_watch import finding_of
from meterd.drift_fit import Hypothesis
from meterd.drift_gross import gross
from meterd.drift_name import Candidate, Evidence, Suspicion, Window, suspicion
from meterd.finding import Finding
from meterd.interval import DAY_MS, HOUR_MS, Period
from meterd.page import wording
from meterd.phrases import Kind, Phrases
from meterd.site import Site
from tests.sayings import Picks, Said, called, kept_as, raised, returned, said
from tests.simulator.drift_sites import grid
from tests.test_clock_change import ms

VIENNA = ZoneInfo("Europe/Vienna")
QUARTER = 900_000
SITE = Site("mill", VIENNA.key)
ADD = "has no German form: add it to meterd/page/words/en/finding_*.toml and under the same key to words/de/finding_*.toml"
# findings whose words are made elsewhere, so that they are not seen where the finding is made: (file, function) -> where
ELSEWHERE = {
    ("app/daemon.py", "_open_store"): "Salvage.__str__, below",
    ("app/daemon.py", "without_page"): "PublishError of page/server.py, below",
    ("app/drift_watch.py", "finding_of"): "suspicions, below",
    ("app/paper_making.py", "_told"): "other findings, in the language of a paper",
    ("app/plan_watch.py", "_say_refused"): "faults of a plan stay as `meterd check` writes them",
    ("app/watch.py", "clock_finding"): "doubt() of the clock, below",
    ("app/watch.py", "with_reason"): "another finding, with the words of a link, below",
    ("clock_change.py", "_announcement"): "changes of the clocks, below",
    ("clock_change.py", "_fault_finding"): "changes of the clocks, below",
    ("conditions.py", "staleness_findings"): "Staleness, below",
    ("drift_name.py", "informed"): "suspicions, below",
    ("grouping.py", "_absorb"): "other findings",
    ("grouping.py", "_grouped"): "Group, below",
    ("grouping.py", "_only_text"): "other findings",
    ("grouping.py", "_refused"): "other findings",
    ("grouping.py", "with_evidence"): "other findings",
    ("publish/__init__.py", "_tell"): "calls of _tell, below",
    ("store/findings.py", "_row"): "what was kept",
}


def german() -> Phrases:
    return wording.phrases("de")


def is_known(one: Said, table: str, before: str = "", after: str = "", more: tuple[str, ...] = ()) -> bool:
    """Whether German has a sentence of the source for some choice of values; they themselves may be anybody's words."""
    for words, values in one.examples(more):
        sentence = before + words + after
        if table != "phrase":
            if german().key_of(sentence, table):
                return True
            continue
        foreign = [part.words for part in german().read(sentence) if part.kind is Kind.FOREIGN]
        if all(text.strip("; ") in values for part in foreign for text in part.split("; ") if text.strip()):
            return True
    return False


def lacking(sayings: Iterable[Said], table: str = "phrase", before: str = "", after: str = "") -> list[str]:
    """What German lacks, in words for whoever added it."""
    return [f"{one.place} and {ADD}" for one in sayings if one.seen and not is_known(one, table, before, after)]


def left_in_english(sentences: Iterable[str]) -> list[str]:
    """Sentences of which something is not in German."""
    return [words for words in sentences if any(part.kind is Kind.FOREIGN for part in german().read(words))]


# -- read off the source ---------------------------------------------------------------------------------------------------


def test_every_finding_of_the_source_has_a_german_form() -> None:
    """Text, remedy and evidence wherever a finding is made or given other words, but for those made elsewhere."""
    picks = (
        called("Finding", 3, 4, 6), called("Finding", "text"), called("Finding", "remedy"), called("Finding", "evidence"),
        called("replace", "text"), called("replace", "evidence"), called("with_evidence", 1),
    )  # fmt: skip
    found = [one for pick in picks for one in said(pick)]
    assert len(found) > 130
    elsewhere = {(one.file, one.function) for one in found if not one.seen or not is_known(one, "phrase")}
    assert lacking(one for one in found if (one.file, one.function) not in ELSEWHERE) == []
    assert elsewhere - ELSEWHERE.keys() == set(), "say in ELSEWHERE where their words are made, and test them below"
    assert ELSEWHERE.keys() - elsewhere == set(), "these need no exception any more"


MADE_ELSEWHERE: tuple[tuple[Picks, tuple[str, ...], str, str], ...] = (  # what is picked, where, table, words before it
    (called("Staleness", 3), ("staleness.py",), "phrase", "q01: "),
    (called("_tell", 2, 3), ("publish/__init__.py",), "phrase", ""),
    (raised("PublishError"), ("mqtt/wire.py", "mqtt/link.py", "page/server.py"), "phrase", ""),
    (returned("doubt"), ("app/clock.py",), "phrase", ""),
    (returned("__str__"), ("store/salvage.py",), "phrase", ""),
    (kept_as("_words"), ("app/room_keeper.py",), "phrase", ""),
    (kept_as("_answer"), ("app/room_keeper.py",), "phrase", ""),
    (kept_as("_last_error"), ("mqtt/link.py",), "phrase_link", ""),
    (raised("Trouble"), ("store/line_feed.py",), "phrase_answer", ""),
    (kept_as("_lost"), ("store/line_feed.py",), "phrase_answer", ""),
    (called("Fault", 3), ("clock_change.py",), "phrase_misfit", ""),
    (called("Refusal", 2), ("sources/*.py",), "phrase_refusal", ""),
    (raised("NotANumber"), ("sources/*.py",), "phrase_refusal", ""),
    (raised("ValueError"), ("sources/*.py", "senml.py", "reading.py"), "phrase_refusal", ""),
    (raised("LookupError"), ("sources/*.py",), "phrase_refusal", ""),
    (returned("_why_not"), ("sources/number.py",), "phrase_refusal", ""),
    (returned("_reason"), ("sources/decode.py",), "phrase_refusal", ""),
)
OF_THE_PLAN = {("sources/pointer.py", "parse")}  # told when the plan is read, never of a value


@pytest.mark.parametrize(
    ("picks", "files", "table", "before"), MADE_ELSEWHERE, ids=lambda one: one.word if isinstance(one, Picks) else ""
)
def test_words_that_findings_take_from_elsewhere_have_a_german_form(
    picks: Picks, files: tuple[str, ...], table: str, before: str
) -> None:
    """Reasons of refused values, of lost connections, of databases; what a clock, a store and a publisher say."""
    found = [one for one in said(picks, *files) if (one.file, one.function) not in OF_THE_PLAN]
    assert any(one.seen for one in found)
    # the figures of a sum are made by a function of their own
    own = [one for one in found if one.function != "_sums_at_fault"]
    assert lacking(own, table, before) == []


def test_groups_of_silent_points_have_a_german_form() -> None:
    """Their words are the beginning of the sentence; what to do stands beside them."""
    heads = said(called("Group", 2), "grouping.py")
    assert lacking(heads, after=": none of its 7 points delivers values; the last one came 2026-05-04T10:15:00Z") == []
    assert lacking(said(called("Group", 3), "grouping.py")) == []


REASONS: tuple[
    tuple[Picks, tuple[str, ...], str, tuple[str, ...]], ...
] = (  # picked, where, words before, what may stand
    (returned("reason"), ("allocation.py",), "", ("up-ramp", "contracted power")),
    (returned("_keep"), ("room.py",), "nothing to share (", ()),
    (returned("_sinking"), ("room.py",), "nothing to share (", ()),
    (called("_Sum", 2), ("surplus.py",), "", ()),
    (called("SurplusNow", 4), ("surplus.py",), "", ("no live feed point",)),
    (called("PowerNow", 3), ("pipeline.py",), "", ()),
    (returned("words"), ("drift_fit.py",), "hardly told from ", ("below q01",)),
)


@pytest.mark.parametrize(
    ("picks", "files", "before", "more"), REASONS, ids=lambda one: one.word if isinstance(one, Picks) else ""
)
def test_reasons_of_shares_and_of_missing_powers_have_a_german_form(
    picks: Picks, files: tuple[str, ...], before: str, more: tuple[str, ...]
) -> None:
    """They stand on the sheets "now", "pv" and "balance" as they are made, and are said by the same templates."""
    found = [one for one in said(picks, *files) if one.seen]
    assert found
    after = ")" if before.endswith("(") else ""
    assert [f"{one.place} and {ADD}" for one in found if not is_known(one, "phrase", before, after, more)] == []


# -- made by the functions themselves --------------------------------------------------------------------------------------


def test_every_cause_and_what_was_seen_at_which_load_has_a_german_form() -> None:
    """The whole list, with and without the ratio of the plan."""
    names = [(one.name, one.check) for one in causes.WIRINGS]
    for ratio in (None, (250.0, 5.0)):
        names += [(name, look) for name, _, look, _ in causes._constant(ratio, all_ratios=True)]
    five_degrees = cmath.exp(-1j * math.radians(5))
    turned = (
        causes.Observed(causes.shown_factor(five_degrees, 0.5) or 0.0, 0.001, shown_angle=0.5, common=0.001),
        causes.Observed(causes.shown_factor(five_degrees, -0.5) or 0.0, 0.001, shown_angle=-0.5, common=0.001),
        causes.Observed(1.2, 0.001, power_factor=0.9),
        causes.Observed(1.0, 0.001),
    )
    displaced = causes.match(turned[:2])
    assert any("displacement" in one.name for one in displaced)
    sentences = [f"possible cause: {causes.Cause(name, 1 / 3, 0.0, look).text}" for name, look in names]
    sentences += [f"fits: {', '.join(one.text for one in displaced)}"]
    sentences += [causes.dependence(some) for some in ((), turned[:1], turned[:2], (turned[0], turned[0]), turned)]
    assert left_in_english(sentences) == []


def suspicions() -> list[Suspicion]:
    """What the watch can say of a change: one named, a list with loads, a feed in doubt, an instrument that stands still."""
    tests = (
        Hypothesis("ratio t1", "ratio", ("t1",), "board north", (0,), 0.01),
        Hypothesis("ratio q01", "ratio", ("q01",), "below riser", (1,), 0.01),
        Hypothesis("ct-set a", "ct-set", ("q01", "q02"), "board north", (1, 2), 0.01),
        Hypothesis("standing board north", "standing", (), "board north", (3,), 1.0),
        Hypothesis("loss board north", "loss", (), "board north", (4,), 1.0),
    )
    step, error, size = np.array([-0.667, 0.02, 0.03, 1.5, -0.4]), np.full(5, 0.01), len(tests)
    window = Window(found_ms=DAY_MS, change_ms=0, days=14, false_alarms_per_year=0.1, explained=0.4)
    still = Candidate("ratio q09", "ratio", ("q09",), "board north", -1.0, 0.1, "ratio", 0.0, 1.0, 1.0)
    found = []
    for T in ([400, 10, 9, 8, 7], [400, 399, 398, 397, 396], [1, 2, 3, 400, 399], [9, 400, 8, 7, 6]):
        seen = Evidence(np.array(T, dtype=float), step, error, np.eye(size))
        found += [suspicion(tests, seen, window, frozenset({"t1"}), some) for some in ((), (still,))]
    long = tuple(Hypothesis(f"ratio q{i}", "ratio", (f"q{i}",), "board north", (i,), 0.01) for i in range(10))
    alike = Evidence(np.full(10, 400.0), np.full(10, 0.02), np.full(10, 0.01), np.ones((10, 10)))
    found.append(suspicion(long, alike, replace(window, explained=1.0), frozenset()))
    only_still = Evidence(np.array([400.0]), np.array([-1.0]), np.array([0.1]), np.eye(1))
    found.append(suspicion((replace(long[0], name="ratio q09"),), only_still, window, frozenset(), (still,)))
    return found


def test_every_suspicion_has_a_german_form() -> None:
    """With text, what to do, the list of all that fit, and the command that would put the books right."""
    measured = (
        "98% of its usual 12.34 kW is missing at board north; power factor not measured: causes that depend on it"
    )
    measured += " cannot be told apart"
    said_ = [
        replace(one, correction="meterd correct PLAN --point q01; meterd correct PLAN --point q01 --register export",
                candidates=tuple(replace(c, measured=measured) for c in one.candidates))
        for one in suspicions()
    ]  # fmt: skip
    assert {one.named is None for one in said_} == {True, False}
    assert left_in_english(sentence for one in said_ for sentence in sentences_of(finding_of(one, SITE))) == []


def test_every_gross_fault_has_a_german_form() -> None:
    """A factor, a list of several, a load without a meter."""
    site = grid(5, 4)
    load = {"main": np.full(96, 20 * 0.25e6)}
    found = [gross(site.net, site.day(3, {"main": 1 / 3})), gross(site.net, site.day(3, extra=load))]
    told = [finding_of(one, SITE) for one in found if one is not None]
    assert len(told) == 2
    assert left_in_english(sentence for one in told for sentence in sentences_of(one)) == []


def sentences_of(finding: Finding) -> list[str]:
    return [finding.text, finding.remedy, *finding.evidence]


@pytest.mark.parametrize(
    ("zone", "before"),
    [
        ("Europe/Vienna", "2026-03-01T00:00Z"),
        ("Europe/Vienna", "2026-10-01T00:00Z"),
        ("Australia/Lord_Howe", "2026-03-01T00:00Z"),
        ("Australia/Lord_Howe", "2026-09-01T00:00Z"),
        ("America/Sao_Paulo", "2018-10-01T00:00Z"),
        ("America/Sao_Paulo", "2018-02-01T00:00Z"),
        ("Pacific/Apia", "2011-12-01T00:00Z"),
    ],
)
def test_every_change_of_the_clocks_has_a_german_form(zone: str, before: str) -> None:
    """Announced, not closed in time, wrong afterwards: whole and half hours, at midnight, a day that is left out."""
    rules = ZoneInfo(zone)
    change = clock_change.next_change(rules, ms(before))
    assert change is not None
    found = clock_change.around(change, rules, QUARTER)
    calendar = clock_change.Calendar(rules, QUARTER, found.low_ms)
    wrong = tuple(
        clock_change.Fault("q01 1.8.0", period, found.low_ms, what)
        for period in (Period.DAY, Period.INTERVAL)
        for what in (
            "it is over and has no row",
            "it has 5 mWh, its 92 parts (interval, 91 known) make no figure",
            "it has no figure, its 24 parts (hour, 24 known) make 7 mWh",
        )
    )
    checked = clock_change.Checked(found, found.high_ms, 1, wrong)
    told = clock_change.clock_change_findings("mill", calendar, change.at_ms - HOUR_MS, None)
    told += clock_change.clock_change_findings("mill", calendar, found.high_ms + 2 * HOUR_MS, checked)
    assert len(told) == 3
    assert left_in_english(sentence for one in told for sentence in sentences_of(one)) == []


# -- as a reader sees them -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kept", "english", "german_"),
    [
        (
            "q01: last value 2026-07-01T12:00:00Z, 1016 min ago",
            "q01: last value 1 Jul 2026, 14:00, 1,016 min ago",
            "q01: letzter Wert vom 1. Juli 2026, 14:00, vor 1.016 min",
        ),
        (
            "board north: feed side minus outgoing side is +1.250 kWh from 2026-12-31T23:00:00Z to 2026-12-31T23:15:00Z, the"
            " instruments explain 0.500 kWh; not covered: q03, q04",
            "board north: feed side minus outgoing side is +1.250 kWh from 1 Jan 2027, 00:00 to 1 Jan 2027, 00:15, the"
            " instruments explain 0.500 kWh; not covered: q03, q04",
            "Verteilung north: Einspeiseseite abzüglich Abgangsseite ist +1,250 kWh vom 1. Jan. 2027, 00:00 bis 1. Jan. 2027,"
            " 00:15, die Messgeräte erklären 0,500 kWh; noch nicht gezählt: q03, q04",
        ),
        (
            "q01: the plan has current transformers 250/5, the meter says 200/5 (at 2026-07-01T12:00:00Z); if the plan is"
            " right its energies are read as 0.8 of the truth",
            "q01: the plan has current transformers 250/5, the meter says 200/5 (at 1 Jul 2026, 14:00); if the plan is right"
            " its energies are read as 0.8 of the truth",
            "q01: laut Plan Stromwandler 250/5, der Zähler sagt 200/5 (1. Juli 2026, 14:00); wenn der Plan recht hat, sind"
            " seine gelesenen Energien das 0,8-Fache der wahren",
        ),
    ],
)
def test_numbers_and_times_are_those_of_the_reader(kept: str, english: str, german_: str) -> None:
    """Separators of the language, the site's zone instead of UTC; the words of the English page are those that are kept."""
    for language, words in (("en", english), ("de", german_)):
        assert wording.told(language, kept, VIENNA) == [wording.Piece(words, language)]


def test_what_is_not_recognised_is_shown_as_it_was_kept() -> None:
    """Whole, or the part of it that nobody knows; words of another program stay in English and are marked so."""
    piece = wording.Piece
    assert wording.told("de", "something nobody foresaw", VIENNA) == [piece("something nobody foresaw", "en")]
    assert wording.told("de", "something nobody foresaw; q01: no value yet", VIENNA) == [
        piece("something nobody foresaw", "en"),
        piece("; q01: noch kein Wert", "de"),
    ]
    assert wording.told("de", "figures: a step went wrong and was left out: KeyError: 'q01'", VIENNA) == [
        piece("figures: ein Schritt misslang und wurde ausgelassen: ", "de"),
        piece("KeyError: 'q01'", "en"),
    ]
    assert wording.told("de", "", VIENNA) == []


def test_a_time_that_cannot_be_is_shown_as_it_was_kept() -> None:
    """A damaged store must not take the page with it."""
    assert wording.told("de", "q01: last value 2026-02-30T12:00:00Z, 5 min ago", VIENNA) == [
        wording.Piece("q01: letzter Wert vom 2026-02-30T12:00:00Z, vor 5 min", "de")
    ]
