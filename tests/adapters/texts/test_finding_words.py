"""Sentences of findings in German: every one the program can make has a German form, and what has none is not lost.

The sentences are read off the source (tests/sentences.py), so that a new one is missed here before somebody meets it on the
page: put its template under the same key into meterd/adapters/texts/catalogue/en/finding_*.toml and
.../de/finding_*.toml. What may stand in a slot is said in meterd/core/texts/finding_translation.py.
"""

import cmath
import math
from collections.abc import Iterable
from dataclasses import replace
from string import Formatter
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.texts import wording
from meterd.app.operations.drift_job import finding_of
from meterd.core.checks import dst as clock_change
from meterd.core.checks.register_scale import DoubtKind, Fall, ScaleDoubt, backward_findings, scale_findings
from meterd.core.drift import wiring_faults as causes
from meterd.core.drift.baseline import Hypothesis
from meterd.core.drift.gross_errors import gross
from meterd.core.drift.identification import Candidate, Evidence, Suspicion, Window, since_words, suspicion
from meterd.core.drift.load_shape import Profile, ShapeEvidence
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.texts.finding_translation import Kind, Phrases
from tests.core.checks.test_dst import ms
from tests.sentences import Picks, SourceSentence, called, kept_as, raised, returned, said
from tests.simulator.drift_sites import grid

VIENNA = ZoneInfo("Europe/Vienna")
QUARTER = 900_000
SITE = Site("mill", VIENNA.key)
ADD = "has no German form: add it to meterd/adapters/texts/catalogue/en/finding_*.toml and, same key, catalogue/de/finding_*.toml"
# findings whose words are made elsewhere, so that they are not seen where the finding is made: (file, function) -> where
TABLE = "its remedy: the table of causes, tests/core/model/test_finding_cause.py"
ELSEWHERE = {
    ("app/operations/finding_lifecycle.py", "_over"): "ends of changes, below",
    ("app/daemon/daemon.py", "_open_store"): "Salvage.__str__, below",
    ("app/daemon/daemon.py", "without_page"): "PublishError of page/server.py, below",
    ("app/operations/drift_job.py", "finding_of"): "suspicions, below",
    ("app/operations/documents.py", "_translated"): "other findings, in the language of a paper",
    ("app/daemon/plan_reload.py", "_say_refused"): "faults of a plan stay as `meterd check` writes them",
    ("app/daemon/source_monitor.py", "clock_finding"): "doubt() of the clock, below",
    ("app/daemon/source_monitor.py", "older_finding"): TABLE,
    ("app/daemon/source_monitor.py", "with_reason"): "another finding, with the words of a link, below",
    ("core/checks/dst.py", "_announcement"): "changes of the clocks, below",
    ("core/checks/dst.py", "_fault_finding"): "changes of the clocks, below",
    ("core/drift/identification.py", "with_begin"): "suspicions, below",
    ("core/checks/unusual_use.py", "unusual_finding"): "every sentence in tests/core/checks/test_unusual_use.py",
    ("core/checks/pv_loss.py", "pv_finding"): "every sentence in tests/core/checks/test_pv_loss.py",
    ("core/checks/register_scale.py", "scale_findings"): "units and directions, below",
    ("core/checks/register_scale.py", "backward_findings"): "units and directions, below",
    ("core/checks/rules.py", "_balance"): TABLE,
    ("core/checks/rules.py", "event_finding"): TABLE,
    ("core/checks/rules.py", "low_disk_finding"): TABLE,
    ("core/checks/rules.py", "job_failed_finding"): TABLE,
    ("core/checks/rules.py", "refused_finding"): TABLE,
    ("core/checks/rules.py", "outside_refused_finding"): TABLE,
    ("core/checks/rules.py", "outside_silent_finding"): TABLE,
    ("core/checks/rules.py", "_stale"): TABLE,
    ("core/checks/rules.py", "stale_points"): TABLE,
    ("core/checks/rules.py", "staleness_findings"): "Staleness, below",
    ("core/checks/granted_topics.py", "granted_finding"): TABLE,
    ("core/checks/rules.py", "contradiction_findings"): TABLE,
    ("core/checks/rules.py", "demand_findings"): TABLE,
    ("core/checks/rules.py", "unstored_finding"): TABLE,
    ("core/balance/global_test.py", "global_findings"): TABLE,
    ("core/checks/root_cause.py", "_together"): TABLE,
    ("core/drift/identification.py", "with_causes"): "suspicions, below",
    ("core/checks/root_cause.py", "_absorb"): "other findings",
    ("core/checks/root_cause.py", "_grouped"): "Group, below",
    ("core/checks/root_cause.py", "_only_text"): "other findings",
    ("core/checks/root_cause.py", "_refused"): "other findings",
    ("core/checks/root_cause.py", "with_evidence"): "other findings",
    ("adapters/publish/publisher.py", "_tell"): "calls of _tell, below",
    ("adapters/store/findings.py", "_row"): "what was kept",
}


def german() -> Phrases:
    return wording.phrases("de")


def is_known(item: SourceSentence, table: str, before: str = "", after: str = "", more: tuple[str, ...] = ()) -> bool:
    """Whether German has a sentence of the source for some choice of values; they themselves may be anybody's words."""
    for message, values in item.examples(more):
        sentence = before + message + after
        if table != "phrase":
            if german().key_of(sentence, table):
                return True
            continue
        foreign = [part.words for part in german().read(sentence) if part.kind is Kind.FOREIGN]
        if all(text.strip("; ") in values for part in foreign for text in part.split("; ") if text.strip()):
            return True
    return False


def lacking(sayings: Iterable[SourceSentence], table: str = "phrase", before: str = "", after: str = "") -> list[str]:
    """What German lacks, in words for whoever added it."""
    return [
        f"{sentence.place} and {ADD}"
        for sentence in sayings
        if sentence.seen and not is_known(sentence, table, before, after)
    ]


def left_in_english(sentences: Iterable[str]) -> list[str]:
    """Sentences of which something is not in German."""
    return [text for text in sentences if any(part.kind is Kind.FOREIGN for part in german().read(text))]


# -- read off the source -----------------------------------------------------------------------------------------------


def test_every_finding_of_the_source_has_a_german_form() -> None:
    """Text, remedy and evidence wherever a finding is made or given other words, but for those made elsewhere."""
    picks = (
        called("Finding", 3, 4, 6), called("Finding", "text"), called("Finding", "remedy"), called("Finding", "evidence"),
        called("replace", "text"), called("replace", "evidence"), called("with_evidence", 1),
    )  # fmt: skip
    sentences = [sentence for pick in picks for sentence in said(pick)]
    assert len(sentences) > 130
    elsewhere = {
        (sentence.file, sentence.function)
        for sentence in sentences
        if not sentence.seen or not is_known(sentence, "phrase")
    }
    assert lacking(sentence for sentence in sentences if (sentence.file, sentence.function) not in ELSEWHERE) == []
    assert elsewhere - ELSEWHERE.keys() == set(), "say in ELSEWHERE where their words are made, and test them below"
    assert ELSEWHERE.keys() - elsewhere == set(), "these need no exception any more"


MADE_ELSEWHERE: tuple[tuple[Picks, tuple[str, ...], str, str], ...] = (  # what is picked, where, table, words before it
    (called("Staleness", 3), ("core/checks/staleness.py",), "phrase", "q01: "),
    (called("_tell", 2, 3), ("adapters/publish/publisher.py",), "phrase", ""),
    (
        raised("PublishError"),
        ("adapters/mqtt/protocol.py", "adapters/mqtt/client.py", "adapters/web/server.py"),
        "phrase",
        "",
    ),
    (returned("doubt"), ("adapters/runtime/clock.py",), "phrase", ""),
    (returned("__str__"), ("adapters/store/recovery.py",), "phrase", ""),
    (kept_as("_words"), ("app/daemon/disk_space.py",), "phrase", ""),
    (kept_as("_answer"), ("app/daemon/disk_space.py",), "phrase", ""),
    (kept_as("_last_error"), ("adapters/mqtt/client.py",), "phrase_link", ""),
    (raised("Trouble"), ("adapters/line_database/feed.py",), "phrase_answer", ""),
    (kept_as("_lost"), ("adapters/line_database/feed.py",), "phrase_answer", ""),
    (called("Fault", 3), ("core/checks/dst.py",), "phrase_misfit", ""),
    (called("Refusal", 2), ("adapters/sources/**/*.py",), "phrase_refusal", ""),
    (raised("NotANumber"), ("adapters/sources/**/*.py",), "phrase_refusal", ""),
    (
        raised("ValueError"),
        ("adapters/sources/**/*.py", "core/topics/senml.py", "core/model/reading.py"),
        "phrase_refusal",
        "",
    ),
    (raised("LookupError"), ("adapters/sources/**/*.py",), "phrase_refusal", ""),
    (returned("_why_not"), ("adapters/sources/number.py",), "phrase_refusal", ""),
    (returned("reason_of"), ("adapters/sources/payloads.py",), "phrase_refusal", ""),
)
OF_THE_PLAN = {  # reported when a plan is read or proposed, never of a value
    ("adapters/sources/json_pointer.py", "parse"),
    ("adapters/sources/heard/values.py", "numbers_in"),
    ("adapters/sources/heard/values.py", "_records"),
}


@pytest.mark.parametrize(
    ("picks", "files", "table", "before"), MADE_ELSEWHERE, ids=lambda item: item.word if isinstance(item, Picks) else ""
)
def test_words_that_findings_take_from_elsewhere_have_a_german_form(
    picks: Picks, files: tuple[str, ...], table: str, before: str
) -> None:
    """Reasons of refused values, of lost connections, of databases; what a clock, a store and a publisher say."""
    sentences = [sentence for sentence in said(picks, *files) if (sentence.file, sentence.function) not in OF_THE_PLAN]
    assert any(sentence.seen for sentence in sentences)
    # the figures of a sum are made by a function of their own
    own = [sentence for sentence in sentences if sentence.function != "_sums_at_fault"]
    assert lacking(own, table, before) == []


def test_units_and_directions_have_a_german_form() -> None:
    """Every kind of doubt with every reason, for one point and for several, and for a plan that names no unit."""
    points = (("q01",), ("q01", "q02"))
    reasons: tuple[dict[str, float], ...] = (
        {"left": 0.012},
        {"left": 0.012, "below": True},
        {"power_w": 5e4, "limit_w": 4e4},
        {"against_mwh": 7, "along_mwh": 0},
    )
    doubts = [
        ScaleDoubt(some, kind, factor, board="north" if "left" in why else "", **why)  # type: ignore[arg-type]
        for some in points
        for kind in DoubtKind
        for factor in (1000.0, 0.001, 0.02)
        for why in reasons
    ]
    plan = Site("mill", VIENNA.key, inputs=(Input("q01", "1.8.0", "s", "a", unit="kWh"),))
    findings = [finding for site in (SITE, plan) for finding in scale_findings(site, doubts, 7)]
    findings += backward_findings({("q01", IMPORT): Fall(5, 40_000_000), ("q02", EXPORT): Fall(4, 1)}, 7)
    assert left_in_english(message for finding in findings for message in (finding.text, finding.remedy)) == []
    assert "sieht nach Wh aus, wo im Plan kWh steht (Faktor 1.000)" in " ".join(
        wording.translated_line("de", finding.text, VIENNA) for finding in findings
    )


def test_groups_of_silent_points_have_a_german_form() -> None:
    """Their words are the beginning of the sentence; what to do stands beside them."""
    heads = said(called("Group", 2), "core/checks/root_cause.py")
    assert lacking(heads, after=": none of its 7 points delivers values; the last one came 2026-05-04T10:15:00Z") == []
    assert lacking(said(called("Group", 3), "core/checks/root_cause.py")) == []


REASONS: tuple[
    tuple[Picks, tuple[str, ...], str, tuple[str, ...]], ...
] = (  # picked, where, words before, what may stand
    (returned("reason"), ("core/sharing/allocation.py",), "", ("up-ramp", "contracted power")),
    (returned("_keep"), ("core/sharing/available_power.py",), "nothing to share (", ()),
    (returned("_sinking"), ("core/sharing/available_power.py",), "nothing to share (", ()),
    (called("_Sum", 2), ("core/pv/figures.py",), "", ()),
    (called("SurplusNow", 4), ("core/pv/figures.py",), "", ("no live feed point",)),
    (called("PowerNow", 3), ("core/live.py",), "", ()),
    (returned("words"), ("core/drift/baseline.py",), "hard to distinguish from ", ("below q01",)),
)


@pytest.mark.parametrize(
    ("picks", "files", "before", "more"), REASONS, ids=lambda item: item.word if isinstance(item, Picks) else ""
)
def test_reasons_of_shares_and_of_missing_powers_have_a_german_form(
    picks: Picks, files: tuple[str, ...], before: str, more: tuple[str, ...]
) -> None:
    """They stand on the pages "now", "pv" and "balance" as they are made, and are said by the same templates."""
    sentences = [sentence for sentence in said(picks, *files) if sentence.seen]
    assert sentences
    after = ")" if before.endswith("(") else ""
    assert [
        f"{sentence.place} and {ADD}" for sentence in sentences if not is_known(sentence, "phrase", before, after, more)
    ] == []


# -- made by the functions themselves ----------------------------------------------------------------------------------


def test_every_cause_and_what_was_seen_at_which_load_has_a_german_form() -> None:
    """The whole list, with and without the ratio of the plan."""
    names = [(wiring.name, wiring.check) for wiring in causes.WIRINGS]
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
    assert any("displacement" in cause.name for cause in displaced)
    sentences = [f"possible cause: {causes.Cause(name, 1 / 3, 0.0, look).text}" for name, look in names]
    sentences += [f"fits: {', '.join(cause.text for cause in displaced)}"]
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
    profile = Profile("board north", (0.0,) * 8 + (4.5,) * 9 + (0.0,) * 7)
    results = [
        suspicion(
            tests,
            Evidence(np.array([400.0, 399, 2, 3, 4]), step, error, np.eye(size)),
            window,
            feeds=frozenset({"t1"}),
            judged=lambda some, _steps, odds=odds: ShapeEvidence(np.full(len(some), odds), {"board north": profile}),
        )
        for odds in (-50.0, 0.0)
    ]
    still = Candidate("ratio q09", "ratio", ("q09",), "board north", -1.0, 0.1, "ratio", 0.0, 1.0, 1.0)
    for T in ([400, 10, 9, 8, 7], [400, 399, 398, 397, 396], [1, 2, 3, 400, 399], [9, 400, 8, 7, 6]):
        seen = Evidence(np.array(T, dtype=float), step, error, np.eye(size))
        results += [suspicion(tests, seen, window, feeds=frozenset({"t1"}), still=some) for some in ((), (still,))]
    long = tuple(Hypothesis(f"ratio q{i}", "ratio", (f"q{i}",), "board north", (i,), 0.01) for i in range(10))
    alike = Evidence(np.full(10, 400.0), np.full(10, 0.02), np.full(10, 0.01), np.ones((10, 10)))
    results.append(suspicion(long, alike, replace(window, explained=1.0), feeds=frozenset()))
    only_still = Evidence(np.array([400.0]), np.array([-1.0]), np.array([0.1]), np.eye(1))
    results.append(
        suspicion((replace(long[0], name="ratio q09"),), only_still, window, feeds=frozenset(), still=(still,))
    )
    return results


def test_every_suspicion_has_a_german_form() -> None:
    """With text, what to do, the list of all that fit, and the command that would correct the stored figures."""
    measured = (
        "98% of its usual 12.34 kW is missing at board north; power factor not measured: causes that depend on it"
    )
    measured += " cannot be told apart"
    said_ = [
        replace(item, correction="meterd correct PLAN --point q01; meterd correct PLAN --point q01 --register export",
                candidates=tuple(replace(c, measured=measured) for c in item.candidates))
        for item in suspicions()
    ]  # fmt: skip
    assert {item.named is None for item in said_} == {True, False}
    assert left_in_english(sentence for item in said_ for sentence in sentences_of(finding_of(item, SITE))) == []


def test_how_unlikely_a_cause_is_has_no_hundreds_of_digits() -> None:
    """Found on a phone: a number of 250 digits made the page nine times as wide as the window."""
    item = suspicions()[0]
    candidates = (item.candidates[0], replace(item.candidates[0], points=("q02",), odds=1e250))
    finding = finding_of(replace(item, candidates=candidates), SITE)
    assert "(more than 1000000 times less likely than the first" in finding.evidence[1]
    assert left_in_english(sentences_of(finding)) == []
    shown = "".join(piece.words for piece in wording.translated("de", finding.evidence[1], ZoneInfo("UTC")))
    assert "(mehr als 1.000.000-mal weniger wahrscheinlich als das erste" in shown


def test_every_gross_fault_has_a_german_form() -> None:
    """A factor, a list of several, a load without a meter."""
    site = grid(5, 4)
    load = {"main": np.full(96, 20 * 0.25e6)}
    results = [gross(site.net, site.day(3, {"main": 1 / 3})), gross(site.net, site.day(3, extra=load))]
    findings = [finding_of(item, SITE) for item in results if item is not None]
    assert len(findings) == 2
    assert left_in_english(sentence for finding in findings for sentence in sentences_of(finding)) == []


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
    affected = clock_change.affected_periods(change, rules, QUARTER)
    calendar = clock_change.Calendar(rules, QUARTER, affected.low_ms)
    wrong = tuple(
        clock_change.Fault("q01 1.8.0", period, affected.low_ms, what)
        for period in (Period.DAY, Period.INTERVAL)
        for what in (
            "it is over and has no row",
            "it has 5 mWh, its 92 parts (interval, 91 known) make no figure",
            "it has no figure, its 24 parts (hour, 24 known) make 7 mWh",
        )
    )
    checked = clock_change.Checked(affected, affected.high_ms, 1, wrong)
    findings = clock_change.clock_change_findings("mill", calendar, change.at_ms - HOUR_MS, None)
    findings += clock_change.clock_change_findings("mill", calendar, affected.high_ms + 2 * HOUR_MS, checked)
    assert len(findings) == 3
    assert left_in_english(sentence for finding in findings for sentence in sentences_of(finding)) == []


@pytest.mark.parametrize(
    "sentence",
    [
        "q01 reads 0.98 +- 0.01 of the true energy, since 2026-03-29 (14 days of evidence); no other explanation within 20:1",
        "q01 reads -4.00 % +- 0.20 % than before, since 2026-03-29 (14 days of evidence)",
        "q01 reads -4.00 % +- 0.20 % compared with before, since 2026-03-29 (1 days of evidence)",
        "q01 counts nothing any more than before, since 2026-03-29 (14 days of evidence)",
        "once the cause is confirmed on site, the books are put right by: meterd correct PLAN --point q01 --factor 1.02",
        "mail: what should be told cannot be delivered: timed out",
        "something changed since 2026-03-29 (14 days of evidence), and the figures fit each of: q01 reads -4.00 % +- 0.20 % (odds"
        " 1:1, correlation +1.00); q02 reads +5.00 % +- 0.30 % (odds 1:2, correlation -0.97); if the feed is right: q01 reads"
        " -4.00 % +- 0.20 %",
        "q01 reads 0.33 +- 0.01 of the true energy, since 2026-03-29 (14 days of evidence); at least 20 times as likely as any"
        " other cause; possible cause: one current transformer reversed (factor 0.333): compare the sign of the power of the"
        " three phases; an error common to all instruments of a balance leaves every balance closed and cannot be seen from"
        " inside the site; only a comparison with an outside meter (the supplier's) shows it",
        "one of these would explain the day: q01 reads 0.333 of the true energy; q02 reads 0.500 of the true energy, seen on"
        " 2026-03-29 without waiting for a baseline",
        "q02 reads 5.00 % +- 0.30 % (12 times less likely than the first)",
        "q01: the plan has current transformers 250/5, the meter says 200/5 (at 2026-03-29T01:00:00Z); the plan multiplies by 50,"
        " the meter by its own ratio as well or not at all",
        "q01: its import register counts backwards, by 5.1 kWh in 9 quarter hours: the meter has the wrong sign, and none of"
        " these readings is used",
        "mill: what the meters of the connection and of PV say leaves a consumption of -2.000 kWh from 2026-03-29T01:00:00Z to"
        " 2026-03-29T01:15:00Z, the instruments explain 0.100 kWh",
        "the rules of the time zone Europe/Vienna have changed (zone database 2026a): local days between 2026-03-29T01:00:00Z"
        " and 2026-03-30T01:00:00Z were summed again, 4 figures had other bounds",
        "mill: the running interval comes to a mean of 120.0 kW if the draw stays, the contract has 100.0 kW; the rest may"
        " have 80.0 kW",
        "q01: the import register fell from 12.500 k to 3.000 k and counts on from there (at 2026-03-29T01:00:00Z)",
        "one balance detects and never names: compare the points of the board with their usual shape",
    ],
)
def test_sentences_that_older_programs_stored_stay_readable(sentence: str) -> None:
    """A store keeps findings of years: the template of a sentence stays when the sentence changes."""
    foreign = [part.words for part in german().read(sentence) if part.kind is Kind.FOREIGN]
    assert foreign in ([], ["timed out"])


FILLED = {
    "time": "29 Mar 2026, 14:00",
    "day": "29 Mar 2026",
    "number": "12.34",
    "names": "Bakery, ovens",
    "kept": "harrow",
}
FILLED |= {"": "Bakery, ovens", "missing": "Bakery, ovens", "said": "timed out", "one phrase_register": "import"}
LONGEST = 160  # of a sentence on page, wall and in a message; how sure and why is its evidence


@pytest.mark.parametrize("language", wording.LANGUAGES)
def test_no_sentence_is_long(language: str) -> None:
    """With values as long as those of the demo; but for old ones, and for the caution below a list."""
    long, english = [], wording.catalogue("en")
    for key, text in wording.catalogue(language).items():
        if not key.startswith("phrase.") or key.endswith("_old") or key == "phrase.not_observable":
            continue
        kinds = {name: kind or "" for _, name, kind, _ in Formatter().parse(english[key]) if name}
        values = {name: FILLED.get(kind, "q01 0.98 +- 0.01") for name, kind in kinds.items()}
        shown = "".join(part + values.get(name or "", "") for part, name, _, _ in Formatter().parse(text))
        long += [f"{key}: {len(shown)}: {shown}"] if len(shown) > LONGEST else []
    assert long == []


# -- as a reader sees them ---------------------------------------------------------------------------------------------


def test_one_day_of_evidence_is_one() -> None:
    """Found on the page: "1 days of evidence", "Belege aus 1 Tagen"."""
    for days, german_ in ((1, "1 Tag"), (14, "14 Tagen")):
        said_ = f"q01 reads 0.33 +- 0.01 of the true energy, {since_words(0, days, 'UTC')}"
        assert ("1 day of" in said_) == (days == 1)
        assert wording.translated_line("de", said_, VIENNA).endswith(f"seit 1. Jan. 1970 (Belege aus {german_})")


def test_a_long_list_of_names_is_counted_where_few_say_enough() -> None:
    """Found on a phone: the reason of one missing power named 25 points, twice."""
    reason = "no power within 60 s from a, b, c, d, e"
    shown = [wording.translated_line(language, reason, VIENNA, {"a": "Ovens"}, most=3) for language in ("en", "de")]
    assert shown[0] == "no power within 60 s from Ovens, b, c and 2 more"
    assert shown[1] == "binnen 60 s keine Leistung von Ovens, b, c und 2 weiteren"
    assert wording.translated_line("en", reason, VIENNA, most=5).endswith("a, b, c, d, e")
    assert wording.translated_line("en", reason, VIENNA).endswith("a, b, c, d, e")


def test_names_in_a_sentence_are_given_by_their_titles() -> None:
    """In lists too, where a title has a comma of its own; a code after a name stays; who has no title keeps the name."""
    boards = (Board("north", title="Main distribution"), Board("alike", title="Board"))
    points = (
        Point("q01", "north", Role.FEEDER, title="Bakery, ovens"),
        Point("q02", "north", Role.FEEDER),
        Point("alike", "north", Role.FEEDER, title="Point"),
        Point("q03", "north", Role.FEEDER, title="Laundry"),
        Point("q04", "north", Role.FEEDER, title="Laundry"),
    )
    titles = wording.titles_of(Site("mill", VIENNA.key, boards=boards, points=points))
    sentences = {
        "q01: no value yet": "Bakery, ovens: noch kein Wert",
        "not covered: q02, q01": "noch nicht gezählt: q02; Bakery, ovens",
        "board north: the balance from 2026-07-01T12:00:00Z is not computable, missing q02 2.8.0, q01": None,
        "alike: no value yet": "alike: noch kein Wert",
        "q03: no value yet": "Laundry (q03): noch kein Wert",
    }
    for stored, wanted in sentences.items():
        shown = wording.translated_line("de", stored, VIENNA, titles)
        assert shown == wanted or (
            wanted is None and "Main distribution" in shown and "q02 2.8.0; Bakery, ovens" in shown
        )


@pytest.mark.parametrize(
    ("stored", "english", "german_"),
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
            "Verteilung north: Einspeisung minus Abgänge ist +1,250 kWh vom 1. Jan. 2027, 00:00 bis 1. Jan. 2027,"
            " 00:15, durch die Messgeräte erklärbar sind 0,500 kWh; noch nicht gezählt: q03, q04",
        ),
        (
            "q01: the plan has current transformers 250/5, the meter says 200/5 (at 2026-07-01T12:00:00Z); if the plan is"
            " right its energies are read as 0.8 of the truth",
            "q01: the plan has current transformers 250/5, the meter says 200/5 (at 1 Jul 2026, 14:00); if the plan is right"
            " its energies are read as 0.8 of the truth",
            "q01: laut Plan Stromwandler 250/5, der Zähler meldet 200/5 (1. Juli 2026, 14:00); stimmt der Plan, so sind seine"
            " gelesenen Energien das 0,8-Fache der wahren",
        ),
    ],
)
def test_numbers_and_times_are_those_of_the_reader(stored: str, english: str, german_: str) -> None:
    """Separators of the language, the site's zone instead of UTC; the words of the English page are those that are stored."""
    for language, text in (("en", english), ("de", german_)):
        assert wording.translated(language, stored, VIENNA) == [wording.Piece(text, language)]


def test_what_is_not_recognised_is_shown_as_it_was_kept() -> None:
    """Whole, or the part of it that nobody knows; words of another program stay in English and are marked so."""
    piece = wording.Piece
    assert wording.translated("de", "something nobody foresaw", VIENNA) == [piece("something nobody foresaw", "en")]
    assert wording.translated("de", "something nobody foresaw; q01: no value yet", VIENNA) == [
        piece("something nobody foresaw", "en"),
        piece("; q01: noch kein Wert", "de"),
    ]
    assert wording.translated("de", "figures: a step went wrong and was left out: KeyError: 'q01'", VIENNA) == [
        piece("figures: ein Schritt misslang und wurde ausgelassen: ", "de"),
        piece("KeyError: 'q01'", "en"),
    ]
    assert wording.translated("de", "", VIENNA) == []


def test_a_time_that_cannot_be_is_shown_as_it_was_kept() -> None:
    """A damaged store must not take the page with it."""
    assert wording.translated("de", "q01: last value 2026-02-30T12:00:00Z, 5 min ago", VIENNA) == [
        wording.Piece("q01: letzter Wert vom 2026-02-30T12:00:00Z, vor 5 min", "de")
    ]


@pytest.mark.parametrize(
    "end",
    [
        "q01 reads as before since 2026-05-20",
        "board north is as before since 2026-05-20",
        "below q01 is as before since 2026-05-20",
        "the instrument of q01 was exchanged on 2026-05-08",
        "taken as the new normal",
        "taken as the new normal on 2026-05-08",
        "no longer seen in the figures of 2026-05-08",
    ],
)
def test_ends_of_changes_and_factors_have_a_german_form(end: str) -> None:
    """As `finding_lifecycle` puts them before the text of what has ended; and large errors as factors of the true energy."""
    for was in (
        "q01 reads 0.33 +- 0.01 of the true energy, since 2026-04-30 (4 days of evidence)",
        "CT set of q01, q02 reads 0.80 +- 0.01 of the true energy, since 2026-04-30 (4 days of evidence)",
        "q01 reads 0.333 of the true energy, since 2026-04-29, seen on 2026-04-30 without waiting for a baseline",
        "possible cause: one phase connected backwards (factor 0.333): compare the sign of the power of the three phases",
    ):
        assert left_in_english([f"{end}; {was}"]) == []
