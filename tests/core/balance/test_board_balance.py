"""The balance of a board: residual, band, verdict, coverage, and flows that close to the mWh."""

import csv
import math
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.balance.board_balance import (
    EVER_MS,
    Balance,
    Term,
    Verdict,
    balance,
    board_terms,
    interval_inputs,
    period_balance,
    period_inputs,
    round_to_sum,
)
from meterd.core.balance.uncertainty import (
    Accuracy,
    covariance,
    ct_limits,
    meter_steps,
    phase_error,
    propagate,
    step_limit,
)
from meterd.core.model.plan import Board, Input, Instrument, Point, PointState, Role, Site
from tests.core.balance.matrix_form import reconcile

VECTORS = Path(__file__).parents[2] / "vectors"
QUARTER_MS = 900_000
BOARD = Board("msb")


def table(name: str) -> list[dict[str, str]]:
    with (VECTORS / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


def term(name: str, sign: int, accuracy: Accuracy) -> Term:
    return Term(name, sign, ((EVER_MS, None, accuracy),))


def one(terms: list[Term], energy: list[int], missing: tuple[int, ...] = (), hours: float = 0.25) -> Balance:
    present = np.array([[i not in missing for i in range(len(terms))]])
    end = np.array([round(hours * 3_600_000)])
    return balance(terms, np.array([0]), end, np.array([energy], dtype=np.int64), present)


MAIN = Accuracy("0.5S", "0.5", None, 1000.0, 0, 400.0)
SUB = Accuracy("1", "1", None, 250.0, 0, 400.0)
PLAIN = [term("t1", 1, MAIN), term("f01", -1, SUB), term("f02", -1, SUB)]


# -- the published budget ----------------------------------------------------------------------------------------------

BUDGET = {  # case letter: (load, main meter, main CT, feeder meter, feeder CT)
    "A": (1.0, "0.5S", "0.5", "1", "1"),
    "B": (0.2, "0.5S", "0.5", "1", "1"),
    "C": (0.05, "0.5S", "0.5", "1", "1"),
    "D": (0.2, "0.5S", "0.5S", "0.5S", "0.5S"),
    "E": (0.05, "0.5S", "0.5S", "0.5S", "0.5S"),
}


@pytest.mark.parametrize("row", table("balance_error_budget"), ids=lambda r: r["case"][:1])
def test_error_budget_of_a_feed_and_ten_feeders(row: dict[str, str]) -> None:
    """balance_error_budget.csv: 5.65 % worst case and 1.51 % at k = 2 for class 1 feeders at 20 % load."""
    load, main_meter, main_ct, sub_meter, sub_ct = BUDGET[row["case"][0]]
    main_w, sub_w = float(row["main_kW"]) * 1000, float(row["main_kW"]) * 100
    rated = main_w / load / (math.sqrt(3) * 400 * 0.9) / (1 + 1e-9)
    terms = [term("t1", 1, Accuracy(main_meter, main_ct, None, rated, 0, 400.0))]
    terms += [term(f"f{i:02}", -1, Accuracy(sub_meter, sub_ct, None, rated / 10, 0, 400.0)) for i in range(10)]
    result = one(terms, [round(main_w * 1000), *[round(sub_w * 1000)] * 10], hours=1.0)
    assert result.residual[0] == 0
    percent = 100 * result.band[0] / (main_w * 1000)
    assert percent == pytest.approx(float(row["expanded_k2_percent_of_main"]), abs=0.0006)
    assert result.band[0] / 2e6 == pytest.approx(float(row["u_residual_kW"]), abs=0.0001)
    worst = (worst_limit(main_meter, main_ct, load) + worst_limit(sub_meter, sub_ct, load)) * 100
    assert worst == pytest.approx(float(row["worst_case_percent_of_main"]), abs=0.0006)


def worst_limit(meter: str, ct: str, load: float) -> float:
    at = np.array([load])
    ratio, phase = ct_limits(ct, at)
    limit = step_limit(meter_steps(meter, "transformer", 0.9), at)
    return float(limit[0] + ratio[0] + phase_error(float(phase[0]), 0.9))


# -- verdict -----------------------------------------------------------------------------------------------------------


def test_a_balance_inside_its_band() -> None:
    result = one(PLAIN, [30_000_000, 20_000_000, 9_900_000])
    assert (result.feed[0], result.outgoing[0], result.residual[0]) == (30_000_000, 29_900_000, 100_000)
    assert result.word(0) == "inside"
    assert result.verdict[0] == Verdict.INSIDE


def test_a_balance_outside_its_band() -> None:
    result = one(PLAIN, [30_000_000, 20_000_000, 5_000_000])
    assert result.word(0) == "outside"
    assert 0 < result.band[0] < result.residual[0] == 5_000_000


def test_residual_equal_to_the_band_is_inside() -> None:
    """A feeder near zero is below the lowest current of its tables, where the band does not change with it."""
    band = int(one(PLAIN, [30_000_000, 30_000_000, 0]).band[0])
    edge = one(PLAIN, [30_000_000, 30_000_000, -band])
    assert (edge.residual[0], edge.band[0], edge.word(0)) == (band, band, "inside")
    assert one(PLAIN, [30_000_000, 30_000_000, -band - 1]).word(0) == "outside"


def test_f2_all_inputs_missing_is_missing_and_not_zero() -> None:
    result = one(PLAIN, [1, 2, 3], missing=(0, 1, 2))
    assert not result.feed_present[0]
    assert not result.outgoing_present[0]
    assert not result.computable[0]
    assert result.word(0) == "not computable"


def test_f3_one_feeder_missing_is_not_computable_and_named() -> None:
    result = one(PLAIN, [30_000_000, 20_000_000, 999], missing=(2,))
    assert result.feed_present[0]
    assert result.feed[0] == 30_000_000
    assert not result.outgoing_present[0]
    assert result.word(0) == "not computable"
    assert result.missing_points(0) == ("f02",)
    assert not result.reconciled.any()


def test_a_board_without_feeders_is_not_computable() -> None:
    assert one(PLAIN[:1], [30_000_000]).word(0) == "not computable"
    nothing = np.zeros((1, 0), dtype=np.int64)
    assert run([], nothing, nothing.astype(bool)).word(0) == "not computable"


def test_a_board_at_rest_with_unknown_ratings_balances_to_nothing() -> None:
    bare = Accuracy("1", "1", None, None, 0, 400.0)
    result = one([term("t1", 1, bare), term("f01", -1, bare)], [0, 0])
    assert (result.word(0), result.band[0], result.reconciled.tolist()) == ("inside", 0, [[0, 0]])


def test_a_negative_feeder_with_pv_behind_it_counts_with_its_sign() -> None:
    result = one(PLAIN, [10_000_000, 20_000_000, -10_000_000])
    assert (result.outgoing[0], result.residual[0], result.word(0)) == (10_000_000, 0, "inside")


# -- the terms of the plan ---------------------------------------------------------------------------------------------


def harrow_mill() -> Site:
    points = (
        Point("t1", "msb", Role.FEED, rating_a=1000.0),
        Point("pv1", "msb", Role.PV),
        Point("gen", "msb", Role.BACKUP),
        Point("bat", "msb", Role.STORAGE),
        Point("bakery", "msb", Role.FEEDER, state=PointState.ACCEPTED),
        Point("climbing", "msb", Role.FEEDER),
        Point("studios", "msb", Role.FEEDER, state=PointState.FITTED),
        Point("cold-store", "msb", Role.FEEDER, state=PointState.PLANNED),
        Point("old", "msb", Role.FEEDER, state=PointState.RETIRED),
        Point("pv2", "msb", Role.PV, below="climbing"),
        Point("oven", "msb", Role.SUB, below="bakery"),
        Point("other", "msb2", Role.FEEDER),
    )
    instruments = (
        Instrument("t1", 0, meter_class="0.5S", ct_class="0.5", ct_primary_a=1000.0, ct_set="k1"),
        Instrument("bakery", 0, until_ms=5000, meter_class="1", ct_class="1", ct_primary_a=250.0, ct_secondary_a=5.0),
        Instrument("bakery", 5000, meter_class="B", resolution_wh=Fraction(10)),
    )
    secondary = (Input("bakery", "1.8.0", "broker", "x", per_ct=True),)
    return Site("harrow-mill", "Europe/London", points=points, instruments=instruments, inputs=secondary)


def test_terms_of_a_board() -> None:
    """Live and accepted points count; planned and fitted are uncovered; retired, below a feeder, elsewhere are not in."""
    result = board_terms(harrow_mill(), BOARD)
    assert {t.point: t.sign for t in result.terms} == {
        "t1": 1, "pv1": 1, "gen": 1, "bat": 1, "bakery": -1, "climbing": -1,
    }  # fmt: skip
    assert result.uncovered == ("studios", "cold-store")
    assert (result.covered, result.of, result.board) == (6, 8, "msb")


def test_the_instrument_in_force_decides() -> None:
    terms = {t.point: t for t in board_terms(harrow_mill(), BOARD).terms}
    assert [a.meter_class for _, _, a in terms["bakery"].accuracies] == ["2", "1", "B"]
    assert [a.resolution_mwh for _, _, a in terms["bakery"].accuracies] == [0, 0, 10_000]
    start = np.array([-QUARTER_MS, 0, 5000])
    energy = np.full((3, 1), 10_000_000)
    inputs = interval_inputs([terms["bakery"]], start, start + QUARTER_MS, energy)
    for row, (_, _, accuracy) in enumerate(terms["bakery"].accuracies):
        alone = interval_inputs([term("bakery", -1, accuracy)], start[:1], start[:1] + QUARTER_MS, energy[:1])
        assert (inputs.meter[row], inputs.ct[row]) == (alone.meter[0], alone.ct[0])
        assert inputs.resolution[row] == alone.resolution[0]
    assert inputs.ct[2, 0] == 0  # the new meter is connected directly


@pytest.mark.parametrize(("per_ct", "step"), [(True, 500_000), (False, 10_000)])
def test_a_register_of_the_secondary_side_has_the_step_of_its_ratio(per_ct: bool, step: int) -> None:
    """10 Wh at 250/5 A are 500 Wh, whatever side another register of the point is read on."""
    fitted = Instrument("f01", 0, meter_class="1", ct_primary_a=250.0, ct_secondary_a=5.0, resolution_wh=Fraction(10))
    inputs = (Input("f01", "1.8.0", "s", "x", per_ct=per_ct), Input("f01", "32.7.0", "s", "x"))
    points = (Point("t1", "msb", Role.FEED), Point("f01", "msb", Role.FEEDER))
    site = Site("mill", "Europe/London", points=points, instruments=(fitted,), inputs=inputs)
    (_, feeder) = board_terms(site, BOARD).terms
    assert feeder.accuracies[-1][2].resolution_mwh == step


def test_between_two_instruments_the_default_holds() -> None:
    """Taken out at 900 s, the next one fitted at 2700 s; a live row and a replay see the same."""
    default, first, second = (Accuracy(name, None, None, 63.0, 0, 400.0) for name in ("2", "0.5", "0.2"))
    dated = Term("f01", -1, ((EVER_MS, None, default), (0, QUARTER_MS, first), (3 * QUARTER_MS, None, second)))
    start = np.arange(4, dtype=np.int64) * QUARTER_MS
    energy = np.full((4, 1), 10_000_000)
    whole = interval_inputs([dated], start, start + QUARTER_MS, energy)
    for row, accuracy in enumerate((first, default, default, second)):
        expected = interval_inputs([term("f01", -1, accuracy)], start[:1], start[:1] + QUARTER_MS, energy[:1]).meter[0]
        alone = interval_inputs([dated], start[row : row + 1], start[row : row + 1] + QUARTER_MS, energy[:1])
        assert whole.meter[row] == alone.meter[0] == expected


def test_an_instrument_that_ends_where_the_last_interval_begins_is_not_in_force_there() -> None:
    """Nothing follows it: the last interval is that of no instrument of the plan."""
    default, first = (Accuracy(name, None, None, 63.0, 0, 400.0) for name in ("2", "0.5"))
    dated = Term("f01", -1, ((EVER_MS, None, default), (0, 2 * QUARTER_MS, first)))
    start = np.arange(3, dtype=np.int64) * QUARTER_MS
    meter = interval_inputs([dated], start, start + QUARTER_MS, np.full((3, 1), 10_000_000)).meter[:, 0]
    assert meter[0] == meter[1] < meter[2]


def test_what_is_not_known_is_zero_and_marked_and_has_no_band() -> None:
    """A side that lacks a term has no sum of the others, and no width to be judged with."""
    for missing, feed, outgoing in (((0,), 0, 29_900_000), ((1,), 30_000_000, 0)):
        result = one(PLAIN, [30_000_000, 20_000_000, 9_900_000], missing=missing)
        assert (result.feed[0], result.outgoing[0], result.residual[0], result.band[0]) == (feed, outgoing, 0, 0)
        assert not result.uncertainty.any()


# -- covariance and reconciliation ---------------------------------------------------------------------------------

ACCURACIES = st.builds(
    Accuracy,
    st.sampled_from(["1", "0.5S", "B"]),
    st.sampled_from([None, "0.5", "1"]),
    st.sampled_from([None, None, "k1", "k2"]),
    st.sampled_from([None, 63.0, 250.0]),
    st.sampled_from([0, 1000]),
    st.just(400.0),
)


@st.composite
def cases(draw: st.DrawFn, rows: int = 6) -> tuple[list[Term], np.ndarray, np.ndarray]:
    n = draw(st.integers(2, 7))
    signs = [1, -1, *draw(st.lists(st.sampled_from([1, -1]), min_size=n - 2, max_size=n - 2))]
    names = draw(st.permutations([f"p{i}" for i in range(n)]))
    terms = [term(name, sign, draw(ACCURACIES)) for name, sign in zip(names, signs, strict=True)]
    t = draw(st.integers(1, rows))
    number = st.integers(-(10**9), 10**9)
    energy = draw(st.lists(st.lists(number, min_size=n, max_size=n), min_size=t, max_size=t))
    present = draw(
        st.lists(st.lists(st.sampled_from([True] * 9 + [False]), min_size=n, max_size=n), min_size=t, max_size=t)
    )
    return terms, np.array(energy, dtype=np.int64), np.array(present)


def run(terms: list[Term], energy: np.ndarray, present: np.ndarray, first_row: int = 0) -> Balance:
    start = (np.arange(len(energy), dtype=np.int64) + first_row) * QUARTER_MS
    return balance(terms, start, start + QUARTER_MS, energy, present)


@given(cases())
def test_band_and_flows_agree_with_the_matrix_form(case: tuple[list[Term], np.ndarray, np.ndarray]) -> None:
    """Second route: the full covariance matrix through `propagate` and `reconcile`."""
    terms, energy, _ = case
    result = run(terms, energy, np.ones(energy.shape, dtype=bool))
    A = np.array([[float(t.sign) for t in terms]])
    V = covariance([t.accuracies[0][2] for t in terms], energy, 0.25)
    variance = propagate(A, V)[:, 0, 0]
    assert result.band == pytest.approx(2 * np.sqrt(variance), rel=1e-6, abs=1.5)
    usable = variance > 1e-9 * np.trace(V, axis1=1, axis2=2)
    if usable.any():
        expected = reconcile(A, energy[usable].astype(float), covariance=V[usable])
        scale = np.abs(energy[usable]).max(axis=1)[:, None] + 1
        assert np.all(np.abs(result.reconciled[usable] - expected.x) <= 2 + 1e-6 * scale)
        assert np.all(np.abs(result.uncertainty[usable] - expected.u) <= 2 + 1e-4 * scale)


@given(cases())
def test_reconciled_flows_close_to_the_mwh(case: tuple[list[Term], np.ndarray, np.ndarray]) -> None:
    terms, energy, present = case
    result = run(terms, energy, present)
    signs = np.array([t.sign for t in terms])
    closing = (result.reconciled * signs).sum(axis=1)
    assert not closing.any()
    assert np.array_equal(result.computable, present.all(axis=1))


@given(cases(rows=30))
def test_a_row_alone_equals_the_row_in_the_batch(case: tuple[list[Term], np.ndarray, np.ndarray]) -> None:
    """Bit identity of the live daemon (one row) and the replay (many)."""
    terms, energy, present = case
    whole = run(terms, energy, present)
    for i in range(len(energy)):
        alone = run(terms, energy[i : i + 1], present[i : i + 1], first_row=i)
        for name in Balance.__slots__[1:]:
            assert getattr(alone, name)[0].tobytes() == getattr(whole, name)[i].tobytes(), name


def test_shared_transformers_do_not_blur_a_comparison() -> None:
    """Feed and outgoing check meter on one CT set: only the meters' own parts remain in the band."""
    shared = Accuracy("0.5S", "0.5", "k1", 1000.0, 0, 400.0)
    energy = [60_000_000, 60_000_000]
    together = one([term("t1", 1, shared), term("check", -1, shared)], energy)
    apart = one([term("t1", 1, MAIN), term("check", -1, MAIN)], energy)
    assert together.band[0] == math.ceil(2 * math.sqrt(2) * 60_000_000 * 0.005 / math.sqrt(3))
    assert apart.band[0] > 2 * together.band[0]


# -- rounding ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", table("pv_rounding_vectors"), ids=lambda r: r["weights"])
def test_largest_remainder_with_ties_in_order(row: dict[str, str]) -> None:
    """pv_rounding_vectors.csv: 100 to three is 34, 33, 33."""
    weights = np.array([float(w) for w in row["weights"].strip("[]").split(",")])
    total = int(row["total_Wh"])
    result = round_to_sum((total * weights / weights.sum())[None, :], np.array([total]), np.arange(len(weights)))
    assert result[0].tolist() == [int(w) for w in row["whole_Wh"].strip("[]").split(",")]


def test_ties_go_by_name_and_not_by_place() -> None:
    """One mWh to share between two equal feeders and a far better feed: the later name moves, wherever it stands."""
    same, good = Accuracy("1", "1", None, 250.0, 0, 400.0), Accuracy("0.1S", "0.1", None, 250.0, 0, 400.0)
    terms = {"t1": term("t1", 1, good), "f01": term("f01", -1, same), "f02": term("f02", -1, same)}
    energy = {"t1": 20_000_001, "f01": 10_000_000, "f02": 10_000_000}
    for names in (("t1", "f01", "f02"), ("f02", "t1", "f01")):
        result = one([terms[name] for name in names], [energy[name] for name in names])
        closed = dict(zip(result.points, result.reconciled[0].tolist(), strict=True))
        assert closed == {"t1": 20_000_001, "f01": 10_000_000, "f02": 10_000_001}


def test_ties_among_forty_points_stay_in_order() -> None:
    """An unstable sort keeps small rows in order by luck, not forty."""
    result = round_to_sum(np.tile([0.5, 0.25], 20)[None, :], np.array([15]), np.arange(40))
    assert result[0].tolist() == [1, 0] * 15 + [0] * 10


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=9), st.integers(-50, 50))
def test_rounding_always_meets_its_total(wanted: list[float], off: int) -> None:
    total = round(sum(wanted)) + off
    result = round_to_sum(np.array([wanted]), np.array([total]), np.arange(len(wanted)))
    assert result.sum() == total
    assert np.all(np.abs(result[0] - np.array(wanted)) <= 3 + abs(off))


# -- longer periods ----------------------------------------------------------------------------------------------------


def day(terms: list[Term], energy: np.ndarray, **keywords: np.ndarray) -> Balance:
    start = np.arange(len(energy), dtype=np.int64) * QUARTER_MS
    return period_balance(terms, start, start + QUARTER_MS, energy, np.ones(energy.shape, dtype=bool), **keywords)


def test_ratio_parts_add_over_time_and_resolution_does_not() -> None:
    """96 intervals: 96 times the ratio part of one, and one resolution part of each meter, q / sqrt(6)."""
    energy = np.tile(np.array([[20_000_000, 19_000_000]]), (96, 1))
    exact = [term(name, sign, Accuracy("1", "1", None, 250.0, 0, 400.0)) for name, sign in (("t1", 1), ("f01", -1))]
    coarse = [term(t.point, t.sign, Accuracy("1", "1", None, 250.0, 10**7, 400.0)) for t in exact]
    ratio_u = float(run(exact, energy[:1], np.ones((1, 2), dtype=bool)).band[0]) / 2
    assert day(exact, energy).residual.tolist() == [96_000_000]
    assert day(exact, energy).band[0] == pytest.approx(2 * 96 * ratio_u, rel=1e-5)
    assert day(coarse, energy).band[0] == pytest.approx(2 * math.sqrt((96 * ratio_u) ** 2 + 10**14 / 3), rel=1e-5)


def test_a_period_does_not_depend_on_how_it_was_cut() -> None:
    """Whole-number parts: two days summed to a period are the same as all their quarter hours."""
    generator = np.random.default_rng(1)
    energy = generator.integers(-(10**7), 10**8, (192, 3))
    start = np.arange(192, dtype=np.int64) * QUARTER_MS
    inputs = interval_inputs(PLAIN, start, start + QUARTER_MS, energy)
    days = period_inputs(period_inputs(inputs, np.array([0, 96])), np.array([0]))
    at_once = period_inputs(inputs, np.array([0]))
    assert np.array_equal(days.meter, at_once.meter)
    assert np.array_equal(days.ct, at_once.ct)
    assert np.array_equal(days.energy, energy.sum(axis=0)[None, :])


def test_several_periods_in_one_call() -> None:
    energy = np.tile(np.array([[30_000_000, 20_000_000, 10_000_000]]), (10, 1))
    both = day(PLAIN, energy, first=np.array([0, 4]))
    assert both.feed.tolist() == [120_000_000, 180_000_000]
    assert day(PLAIN, energy[:4]).band[0] == both.band[0]


def test_f3_one_missing_interval_makes_the_period_not_computable() -> None:
    energy = np.full((4, 3), 1_000_000)
    present = np.ones((4, 3), dtype=bool)
    present[2, 1] = False
    start = np.arange(4, dtype=np.int64) * QUARTER_MS
    result = period_balance(PLAIN, start, start + QUARTER_MS, energy, present)
    assert result.word(0) == "not computable"
    assert result.missing_points(0) == ("f01",)


@pytest.mark.parametrize("first", [[], [1], [0, 0], [0, 3, 2]])
def test_periods_that_do_not_begin_at_rising_rows_are_refused(first: list[int]) -> None:
    with pytest.raises(ValueError, match="rising rows"):
        day(PLAIN, np.zeros((4, 3), dtype=np.int64), first=np.array(first, dtype=np.int64))


def test_no_rows_give_no_balances() -> None:
    empty = np.zeros(0, dtype=np.int64)
    result = balance(PLAIN, empty, empty, np.zeros((0, 3), dtype=np.int64), np.zeros((0, 3), dtype=bool))
    assert len(result.residual) == len(result.verdict) == 0


def test_a_year_of_forty_points_takes_seconds_of_processor() -> None:
    """A guard against a slip to row-by-row work (minutes), not a measurement; other work on the machine does not count."""
    terms = [term("t1", 1, MAIN), *[term(f"f{i:02}", -1, SUB) for i in range(39)]]
    energy = np.random.default_rng(2).integers(0, 10**7, (35_136, 40))
    began = time.thread_time()
    run(terms, energy, np.ones(energy.shape, dtype=bool))
    assert time.thread_time() - began < 10
