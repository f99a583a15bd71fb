"""What is said of many sites rests on what they said and when it came: live, silent, stopped, wrong in time, old in version."""

import json
from fractions import Fraction

import pytest

from meterd.core.model.finding_cause import CAUSES
from meterd.core.model.plan import Instrument, Site
from meterd.core.model.tariff import Price, PriceKind
from meterd.core.topics.fleet_state import (
    Condition,
    Heard,
    Known,
    SiteNow,
    known_of,
    older_versions,
    shared_faults,
    sites_now,
    unasked,
)
from meterd.core.topics.message import Service

NOW = 1_780_000_000_000
HOUR = 3_600_000


def service(
    *, live: bool = True, beat_ms: int | None = NOW, at_ms: int = NOW, stored: bool = False, version: str = "0.2.0"
) -> Heard:
    """A service topic as it came."""
    payload = (
        Service(live, "a1", 1, sequence=1, version=version, heartbeat_ms=beat_ms, period_s=10).message("e/x").payload
    )
    return Heard(payload, at_ms, stored)


def finding(cause: str, *points: str, text: str = "words") -> Heard:
    """A finding topic as it came."""
    fields = {"cause": cause, "subject": "x", "text": text, "remedy": f"mend {cause}", "points": points, "state": "new"}
    return Heard(json.dumps(fields).encode(), NOW, True)


def pack(name: str, value: float | str, at_ms: int) -> Heard:
    """A value topic as it came."""
    kind = {"vs": value} if isinstance(value, str) else {"v": value, "u": "W"}
    records = [
        {"bn": name, "bt": at_ms / 1000, **kind, "ut": 60},
        {"n": ":state", "vs": "good"},
        {"n": ":sequence", "v": 3},
    ]
    return Heard(json.dumps(records).encode(), NOW, True)


def one(heard: dict[str, Heard], now_ms: int = NOW) -> SiteNow:
    """The one site below the prefix."""
    (site,) = sites_now("broker", "e", {f"e/mill/{topic}": item for topic, item in heard.items()}, now_ms)
    return site


@pytest.mark.parametrize(
    ("heard", "now_ms", "condition", "clock_s"),
    [
        (service(), NOW, Condition.LIVE, 0.0),
        (service(stored=True), NOW + 29_000, Condition.LIVE, None),
        (service(stored=True), NOW + 31_000, Condition.SILENT, None),
        (service(at_ms=NOW), NOW + 31_000, Condition.SILENT, 0.0),
        (service(beat_ms=NOW - 2 * HOUR), NOW, Condition.CLOCK, -7200.0),  # it has just come: not silent
        (service(beat_ms=NOW + 2 * HOUR), NOW, Condition.CLOCK, 7200.0),
        (service(beat_ms=NOW + 2 * HOUR, stored=True), NOW, Condition.CLOCK, 7200.0),
        (
            service(beat_ms=NOW - 2 * HOUR, stored=True),
            NOW,
            Condition.SILENT,
            None,
        ),  # or its clock: nobody can tell yet
        (service(live=False, beat_ms=None), NOW, Condition.GONE, None),
        (Heard(b"\x00", NOW, False), NOW, Condition.UNREADABLE, None),
    ],
)
def test_a_silent_site_and_a_wrong_clock_are_told_apart(
    heard: Heard, now_ms: int, condition: Condition, clock_s: float | None
) -> None:
    """By when the heartbeat came, not only by what it says."""
    site = one({"service": heard}, now_ms)
    assert (site.condition, site.clock_s) == (condition, clock_s)


def test_values_findings_and_verdicts_of_a_site() -> None:
    """The most urgent finding, the worst verdict; by the clock of the site; what is too old or not understood is unknown."""
    there = NOW - 2 * HOUR
    values = {
        "board/a/verdict": pack("a", "inside", there),
        "board/b/verdict": pack("b", "outside", there),
        "board/b/running/verdict": pack("c", "not computable", there),
        "pv/production": pack("p", 5_000.0, there),
        "site/draw": pack("d", -700.0, there - 61_000),
        "finding/z": finding("unusual-use"),
        "finding/y": finding("stale", "q01"),
        "finding/x": Heard(b"[]", NOW, True),
    }
    site = one({"service": service(beat_ms=there), **values})
    assert [results.cause for results in site.findings] == ["stale", "unusual-use"]
    assert (site.balance, site.production_w, site.draw_w) == ("outside", 5_000.0, None)
    assert one({"service": service()}).balance is None
    gone = one(
        {
            "service": service(live=False, beat_ms=None),
            **{k: pack("x", "inside", NOW) for k in values if "verdict" in k},
        }
    )
    assert (gone.condition, gone.balance) == (Condition.GONE, None)


def test_the_same_fault_is_one_line_by_kind_of_instrument() -> None:
    """Of two sites or more; instruments of a class stand together where the plans tell them; prices that have ended too."""
    heard = {
        f"e/s{i}/{topic}": item
        for i in range(1, 6)
        for topic, item in {
            "service": service(),
            "finding/a": finding("drift", "q01"),
            f"finding/{i}": finding("stale"),
        }.items()
        if topic != f"finding/{i}" or i > 3
    }
    sites = sites_now("broker", "e", heard, NOW)
    classes = {f"s{i}": Known({"q01": "B" if i < 4 else "A"}, ("import",) if i < 3 else ()) for i in range(1, 5)}
    lines = [(fault.cause, fault.by, fault.kind, fault.sites) for fault in shared_faults(sites, classes)]
    assert lines == [
        ("stale", "", "", ("s4", "s5")),
        ("drift", "class", "B", ("s1", "s2", "s3")),
        ("tariff", "price", "import", ("s1", "s2")),
    ]
    typed = classes | {f"s{i}": Known({"q01": "B"}, (), {"q01": "EM-3"}) for i in (2, 4)}
    typed["s3"] = Known({"q01": "A"}, (), {"q01": "EM-3"})  # of another class, the same instrument
    assert [(fault.by, fault.kind, fault.sites) for fault in shared_faults(sites, typed) if fault.cause == "drift"] == [
        ("type", "EM-3", ("s2", "s3", "s4"))
    ]
    assert shared_faults(sites[:1], classes) == []
    assert shared_faults(sites, {})[1].remedy == "mend drift"
    assert len({cause.name for cause in CAUSES}) == len(CAUSES)


def test_older_versions_are_compared_by_number() -> None:
    """0.10.0 is later than 0.9.0; a word is earlier than a number."""
    heard = {f"e/s{i}/service": service(version=text) for i, text in enumerate(("0.9.0", "0.10.0", "0.10.0", "dev"))}
    assert older_versions(sites_now("broker", "e", heard, NOW)) == {"0.9.0", "dev"}


def test_prices_that_have_ended_and_types_are_known_from_the_plan() -> None:
    """A kind of price counts as ended when none of its rows holds now or later."""
    past, open_ = Price("old", PriceKind.IMPORT, Fraction(1), until_ms=NOW), Price("new", PriceKind.EXPORT, Fraction(1))
    before = Price("before", PriceKind.EXPORT, Fraction(1), until_ms=NOW)
    fitted = (Instrument("q01", NOW, type="EM-3"), Instrument("q01", 0, NOW, type="EM-2"), Instrument("q02", 0))
    known = known_of(Site(name="mill", zone="Europe/Vienna", instruments=fitted, tariff=(past, before, open_)), NOW)
    assert (known.ended, known.types) == (("import",), {"q01": "EM-3"})


def test_of_a_site_that_cannot_be_asked_no_value_stands() -> None:
    """Its findings are what it said last; powers and balance would be read as those of now."""
    heard = {
        "service": service(),
        "finding/stale-q01": finding("stale", "q01"),
        "pv/production": pack("e/mill/pv/production", 5.0, NOW),
        "board/main/verdict": pack("e/mill/board/main/verdict", "inside", NOW),
    }
    before = one(heard)
    assert (before.condition, before.production_w, before.balance) == (Condition.LIVE, 5.0, "inside")
    site = unasked(before)
    assert (site.condition, site.production_w, site.draw_w, site.balance) == (Condition.UNASKED, None, None, None)
    assert [results.cause for results in site.findings] == ["stale"]
