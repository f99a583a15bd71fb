"""Faults are read from words, checked against the plan all at once, and described for --help."""

import csv
from pathlib import Path

import pytest

from meterd.adapters.simulator.faults import (
    DEFAULT_START_S,
    FAULTS,
    FOREVER_MS,
    Fault,
    check_faults,
    fault,
    fault_table,
    happenings,
    in_history,
    parse_fault,
)
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Consumer
from tests.adapters.simulator.sites import JUNE, mill

VECTORS = Path(__file__).parents[2] / "vectors" / "wiring_fault_signatures.csv"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("drift:t1", Fault("drift", "t1", -0.02)),
        ("drift:t1:-0.05", Fault("drift", "t1", -0.05)),
        ("stuck:t1@60", Fault("stuck", "t1", 0.0, 60.0)),
        ("silent:t1@0+90.5", Fault("silent", "t1", 0.0, 0.0, 90.5)),
        ("stuck:t1@-2h+30m", Fault("stuck", "t1", 0.0, -7200.0, 1800.0)),
        ("drift:t1@-10d", Fault("drift", "t1", -0.02, -864_000.0)),
        ("noon-cloud:pv", Fault("noon-cloud", "pv", 0.15, DEFAULT_START_S, 600.0)),
    ],
)
def test_words_of_the_command_line(text, expected):
    assert parse_fault(text) == expected


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("drft:t1", "did you mean drift"),
        ("qqq:t1", "known: drift"),
        ("drift", "write NAME:POINT"),
        ("drift:", "write NAME:POINT"),
        ("drift:t1:a", "'a' is not a number"),
        ("drift:t1:nan", "'nan' is not a number"),
        ("drift:t1:inf", "'inf' is not a number"),
        ("drift:t1:1:2", "write NAME:POINT"),
        ("drift:t1:", "'' is not a number"),
        ("drift:t1@", "write NAME:POINT"),
        ("drift:t1@-d", "'-' is not a number"),
        ("drift:t1@3w", "'3w' is not a number"),
        ("drift:t1@5+", "write NAME:POINT"),
        ("drift:t1@+5", "write NAME:POINT"),
    ],
)
def test_wrong_words_are_refused_with_what_would_be_right(text, message):
    with pytest.raises(ConfigError, match=message):
        parse_fault(text)


def test_targets_that_do_not_fit_are_named_all_at_once():
    wrong = [fault("drift", "t9"), fault("noon-cloud", "t1"), fault("unmetered", "t1"), fault("outage", "t1")]
    with pytest.raises(ConfigError) as caught:
        check_faults(mill(), wrong)
    lines = str(caught.value).splitlines()
    assert len(lines) == 4
    assert "drift:t9" in lines[0]
    assert "one of t1" in lines[0] or "one of t2" in lines[0]
    assert "a pv point" in lines[1]
    assert "print-shop" in lines[2]
    assert "mill" in lines[3]


def test_targets_that_fit_pass():
    check_faults(mill(), [fault("drift", "t1"), fault("unmetered", "north"), fault("rollover-soon", "riser")])


def test_rollover_needs_a_register_of_known_width():
    with pytest.raises(ConfigError, match="nothing in this plan fits"):
        check_faults(mill(instruments=()), [fault("rollover-soon", "t1")])


def test_overdraw_needs_a_consumer_that_is_measured_alone():
    own = Consumer("boiler", "unknown-1", max_w=6000)
    check_faults(mill(consumers=(own,)), [fault("overdraw", "boiler")])
    with pytest.raises(ConfigError, match="needs a consumer with a meter of its own; nothing in this plan fits"):
        check_faults(mill(), [fault("overdraw", "heater-1")])


def test_start_and_end_count_from_the_beginning():
    assert fault("drift", "t1", start_s=30.0).span(JUNE) == (JUNE + 30_000, FOREVER_MS)
    assert parse_fault("silent:t1@5+10").span(JUNE) == (JUNE + 5_000, JUNE + 15_000)


def test_a_start_below_zero_lies_in_the_history_and_not_before_it():
    now, then = fault("drift", "t1"), fault("drift", "t2", start_s=-9.5 * 86_400)
    assert in_history([now, then], 10) == (then,)
    with pytest.raises(ConfigError, match=r"begins 10 days back, the history has 7; write --days 11 or a later start"):
        in_history([then], 7)


def test_a_register_just_below_its_end_needs_a_beginning_without_history():
    """With a history the fault was planted and nothing came of it."""
    soon = fault("rollover-soon", "riser")
    assert in_history([soon], 0) == ()
    with pytest.raises(ConfigError, match="needs --days 0"):
        in_history([soon], 7)


def test_only_changes_of_the_truth_become_happenings():
    planted = ("drift", "t1"), ("unmetered", "north"), ("outage", "mill"), ("overdraw", "heater-1")
    result = happenings([fault(*item) for item in planted], JUNE)
    assert [(h.kind, h.target, h.value) for h in result] == [
        ("load", "north", 15_000.0),
        ("outage", "mill", 0.0),
        ("overdraw", "heater-1", 1.5),
    ]


def test_the_table_names_every_fault_with_its_default():
    table = fault_table()
    for name, kind in FAULTS.items():
        assert name in table
        assert kind.about in table
    assert "relative change, default -0.02" in table


@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("reversed-ct", "one current sensor reversed"),
        ("swapped", "currents of two phases swapped"),
        ("rotated", "all currents rotated by one phase (+120 deg)"),
        ("missing-phase", "one phase current missing"),
    ],
)
def test_wiring_faults_have_the_factors_of_a_balanced_load_at_power_factor_one(name, row):
    """wiring_fault_signatures.csv: computed from three balanced phasors."""
    with VECTORS.open(encoding="utf-8") as lines:
        factors = {r["fault"]: float(r["ratio_to_true_P"]) for r in csv.DictReader(lines) if r["power_factor"] == "1.0"}
    assert abs(FAULTS[name].value - factors[row]) < 1e-4
