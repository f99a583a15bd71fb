"""Readings of one register to breakpoints and interval energies."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.model.plan import Board, Instrument, Limits, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Anchor
from meterd.core.registers.register_line import Breakpoints, Edge, Figures, Flag, figures
from meterd.core.registers.tracker import Rule, Tracker, rules_of

MINUTE, QUARTER, DAY = 60_000, 900_000, 86_400_000
PLAIN = Rule(capacity=100_000_000, limit_per_s=3750, resolution=1000)  # five digits of Wh, 13.5 kW


def track(readings: list[tuple[int, int]], rule: Rule = PLAIN) -> Tracker:
    """All readings at once, sorted as the journal returns them."""
    tracker = Tracker([rule])
    ordered = sorted(set(readings))
    tracker.run(np.array([t for t, _ in ordered], dtype=np.int64), np.array([v for _, v in ordered], dtype=np.int64))
    return tracker


def minutes(*shown_wh: int, start: int = 0) -> list[tuple[int, int]]:
    """One reading a minute, in whole Wh."""
    return [(start + i * MINUTE, wh * 1000) for i, wh in enumerate(shown_wh)]


def energies(tracker: Tracker, first: int, until: int, step: int = QUARTER, gap: int = 60_000) -> Figures:
    return figures(
        tracker.breakpoints, first, until, interval_ms=step, gap_exact_ms=gap, gap_estimate_ms=366 * 86_400_000
    )


CASES = {
    # subject: (shown Wh a minute, total mWh, kind of event, edge in front of the last but one breakpoint)
    "single zero (A1)": ((500, 510, 0, 530, 540), 40_000, ["suspect"]),
    "spike (A12)": ((500, 510, 90_000, 530, 540), 40_000, ["suspect"]),
    "rollover at 10^5 (A3)": ((99_990, 99_998, 21, 44, 67), 77_000, ["rollover"]),
    "rollover is not believed at impossible power": ((50_000, 50_010, 21, 44, 67), 77_000, ["reset"]),
    "reset and stays (A2)": ((44_081, 44_082, 1, 2, 3, 4), 5_000, ["reset"]),
    "reset held until three readings count up": ((44_081, 44_082, 1, 2), 1_000, []),
    "zeros that do not count are no reset (A1)": ((500, 510, 0, 0, 0, 0, 0, 560, 570), 70_000, ["suspect"]),
    "frozen, then catches up": ((500, 510, 510, 510, 510, 510, 1100, 1110), 610_000, ["frozen"]),
    "exchange without notice (A15)": ((500, 510, 77_000, 77_010, 77_020, 77_030), 40_000, ["level-change"]),
    "runs backwards slowly (A11)": ((500, 495, 490, 485, 480, 475), 0, ["suspect"] * 4),
    "duplicate value, new time (A13)": ((500, 500, 500, 510), 10_000, []),
    "one step back within resolution": ((500, 510, 509, 520), 20_000, []),
    "uneven stamps: two minutes of energy in one": ((500, 740, 745, 750), 250_000, ["hurried"]),
    "one low reading while it stands still": ((500, 510, 510, 510, 505, 515), 15_000, ["suspect"]),
    "reset to nothing": ((44_081, 44_082, 0, 1, 2, 3), 4_000, ["reset"]),
    "more than the register can show is no new level": ((500, 510, 99_990, 99_995, 100_005), 10_000, []),
}


@pytest.mark.parametrize("case", CASES)
def test_register_case(case: str) -> None:
    """Each fault of a counter gives the energy that is known and says what was decided."""
    shown, total, kinds = CASES[case]
    tracker = track(minutes(*shown))
    assert (tracker.breakpoints.total[-1] - tracker.breakpoints.total[0], [e.kind for e in tracker.events]) == (
        total,
        kinds,
    )


def test_a_flat_stretch_that_is_held_keeps_its_ends_in_order() -> None:
    """A reset that is believed after four readings, which stands still in between."""
    tracker = track(minutes(44_081, 44_082, 1, 2, 2, 2, 2, 3), replace(PLAIN, confirmations=4))
    assert [e.kind for e in tracker.events] == ["reset"]
    assert [t // MINUTE for t in tracker.breakpoints.t] == [0, 1, 2, 3, 6, 7]


@pytest.mark.parametrize("capacity_bits", [2**31, 2**32, 10**6, 10**5])
@pytest.mark.parametrize("per_unit", [1000, 100])
def test_rollover_at_configured_width_keeps_energy(capacity_bits: int, per_unit: int) -> None:
    """A3: the register wraps at its configured width, with and without a decimal, and no energy is lost."""
    capacity = capacity_bits * per_unit
    rule = Rule(capacity=capacity, limit_per_s=PLAIN.limit_per_s, resolution=per_unit)
    steps = [capacity - 5 * per_unit + i * 3 * per_unit for i in range(8)]
    tracker = track([(i * MINUTE, value % capacity) for i, value in enumerate(steps)], rule)
    assert tracker.total == steps[-1] - steps[0]
    assert [e.kind for e in tracker.events] == ["rollover"]


def test_rollover_during_days_with_room_for_two_turns_is_a_lower_bound() -> None:
    """A4: when more than one turn is possible in the gap the least is booked, marked as a bound, and reported."""
    gap = 4 * 86_400_000
    tracker = track([*minutes(99_000, 99_010), *minutes(500, 510, 520, start=gap)])
    assert [e.kind for e in tracker.events] == ["ambiguous"]
    result = energies(tracker, 0, gap + 2 * MINUTE - (gap + 2 * MINUTE) % QUARTER)
    assert result.present.all()
    assert all(flag & Flag.BOUND for flag in result.flags)


def test_level_change_leaves_its_interval_missing_and_the_next_known() -> None:
    """A15: no energy is booked across a change of level of unknown cause; both sides stay."""
    shown = [1000 + 10 * i for i in range(16)] + [70_000 + 10 * i for i in range(30)]
    result = energies(track(minutes(*shown)), 0, 2 * QUARTER)
    assert result.present.tolist() == [True, False]
    shown = [1000 + 10 * i for i in range(10)] + [70_000 + 10 * i for i in range(36)]
    result = energies(track(minutes(*shown)), 0, 3 * QUARTER)
    assert (result.present.tolist(), result.energy.tolist()) == ([False, True, True], [0, 150_000, 150_000])


def test_exchange_with_closing_and_opening_reading_is_seamless() -> None:
    """An exchange in the plan keeps the energy through closing and opening reading, whatever the new meter shows."""
    old = replace(PLAIN, until_ms=20 * MINUTE, closing=1_205_000)
    new = replace(PLAIN, from_ms=20 * MINUTE, opening=7_000)
    readings = minutes(*range(1000, 1200, 10)) + minutes(*range(17, 227, 10), start=21 * MINUTE)
    tracker = Tracker([old, new])
    tracker.run(np.array([t for t, _ in readings]), np.array([v for _, v in readings]))
    assert tracker.total is not None
    assert tracker.total - tracker.breakpoints.total[0] == 205_000 + 210_000
    assert [e.kind for e in tracker.events] == ["exchange"]


def test_exchange_without_readings_is_unknown_across_and_counts_on() -> None:
    """Without closing and opening reading the energy across the exchange is unknown; it is never a lifetime total."""
    old, new = replace(PLAIN, until_ms=20 * MINUTE), replace(PLAIN, from_ms=20 * MINUTE)
    readings = minutes(*range(1000, 1200, 10)) + minutes(*range(50_000, 50_300, 10), start=21 * MINUTE)
    tracker = Tracker([old, new])
    tracker.run(np.array([t for t, _ in readings]), np.array([v for _, v in readings]))
    assert energies(tracker, 0, 3 * QUARTER).present.tolist() == [True, False, True]


def test_pulse_weight_and_ratio_round_once_and_telescope() -> None:
    """A weight of 1/3 Wh a pulse: any two boundaries differ by the rounded totals, no drift builds up."""
    rule = Rule(limit_per_s=10**9, numerator=1, denominator=3)
    tracker = track([(i * MINUTE, i * 1000) for i in range(61)], rule)
    result = energies(tracker, 0, 60 * MINUTE)
    assert int(result.energy.sum()) == rule.mwh(60_000) - rule.mwh(0) == 20_000


def test_gap_energy_is_exact_and_only_its_shape_estimated() -> None:
    """Rule 2 of design.md 4: boundaries inside the gap are estimated, the energy over it is that of the register."""
    readings = [*minutes(0, 10, 20), (50 * MINUTE, 620_000), (60 * MINUTE, 630_000)]
    result = energies(track(readings), 0, 60 * MINUTE, gap=10 * MINUTE)
    assert int(result.energy.sum()) == 630_000
    assert result.flags.tolist() == [Flag.END, Flag.START | Flag.END, Flag.START | Flag.END, Flag.START]


@pytest.mark.parametrize(
    ("shown", "kinds", "usable"),
    [
        ((44_081, 44_082, 1, 2, 3, 4), ["reset"], [1, 1, 0, 0, 1, 1]),
        ((500, 510, 77_000, 77_010, 77_020, 77_030), ["level-change"], [1, 1, 0, 0, 1, 1]),
        ((99_990, 99_998, 21, 44, 67), ["rollover"], [1, 1, 0, 1, 1]),
        ((500, 510, 510, 510, 510, 510, 1100, 1110), ["frozen"], [1, 1, 0, 1]),
        ((500, 740, 745, 750), ["hurried"], [1, 1, 1]),
    ],
)
def test_of_held_readings_only_the_last_may_be_begun_again_from(
    shown: tuple[int, ...], kinds: list[str], usable: list[int]
) -> None:
    """Begun again from one in the middle, the readings before it would be unknown and the decision another one."""
    tracker = track(minutes(*shown))
    assert [event.kind for event in tracker.events] == kinds
    assert list(tracker.breakpoints.anchorable) == usable


FREEZE_MS = 5 * MINUTE
SHORT = replace(PLAIN, freeze_max_ms=FREEZE_MS)


@pytest.mark.parametrize(
    ("stood_ms", "beyond", "kind"),
    [
        (FREEZE_MS, 0, "frozen"),
        (FREEZE_MS + 1, 0, "level-change"),  # longer than a register is believed to stand
        (FREEZE_MS, 1, "level-change"),  # more than the point can draw in that time
    ],
)
def test_a_register_stood_still_up_to_its_limits_and_not_beyond(stood_ms: int, beyond: int, kind: str) -> None:
    """The longest time and the largest rise still count as a register that stood and caught up."""
    still = minutes(500, 510, 510, 510)
    caught_up = MINUTE + stood_ms
    value = 510_000 + SHORT.limit(stood_ms) + beyond
    readings = [*still, *((caught_up + i * MINUTE, value + i * 1000) for i in range(4))]
    assert [event.kind for event in track(readings, SHORT).events] == [kind]


@pytest.mark.parametrize(("after", "kind"), [(400_001, "ambiguous"), (400_002, "rollover")])
def test_a_second_turn_is_possible_from_exactly_twice_the_register_on(after: int, kind: str) -> None:
    """In 1,500 s the point can draw 1,500,001: from 900,000 to 400,001 that is two turns of a million, to the unit."""
    rule = Rule(capacity=1_000_000, limit_per_s=1000)
    tracker = track([(0, 900_000), (1_500_000, after), (1_560_000, after + 1000)], rule)
    assert [event.kind for event in tracker.events] == [kind]
    assert tracker.total is not None
    assert tracker.total - tracker.breakpoints.total[0] == 1_000_000 - 900_000 + after + 1000, "the least is booked"


@pytest.mark.parametrize(("beyond", "kind"), [(0, "rollover"), (1, "reset")])
def test_a_rollover_is_believed_up_to_what_the_point_can_draw(beyond: int, kind: str) -> None:
    """To the unit."""
    rule = Rule(capacity=1_000_000, limit_per_s=1000)
    after = rule.limit(60_000) - 50_000 + beyond
    shown = [(0, 950_000), *((60_000 + i * 60_000, after + i * 1000) for i in range(3))]
    assert [event.kind for event in track(shown, rule).events] == [kind]


@pytest.mark.parametrize(("at", "counts"), [(20 * MINUTE - 1, False), (20 * MINUTE, True)])
def test_an_instrument_counts_from_its_first_moment_on(at: int, counts: bool) -> None:
    """A reading of that very moment is one of the new meter; one before it belongs to nobody, where the old one was out."""
    old = replace(PLAIN, until_ms=10 * MINUTE)
    new = replace(PLAIN, from_ms=20 * MINUTE)
    readings = [(0, 500_000), (at, 7_000), (21 * MINUTE, 17_000)]
    stepped = Tracker([old, new])
    for t, value in readings:
        stepped.step(t, value)
    whole = Tracker([old, new])
    whole.run(np.array([t for t, _ in readings]), np.array([v for _, v in readings]))
    for tracker in (stepped, whole):
        assert (at in tracker.breakpoints.t) is counts
    first = Tracker([new])
    first.run(np.array([at, 21 * MINUTE]), np.array([7_000, 17_000]))
    assert (at in first.breakpoints.t) is counts


def test_a_reading_of_the_moment_of_an_exchange_is_one_of_the_new_meter() -> None:
    """Out and in at one moment: the display of that moment is that of the new one, step by step too."""
    old, new = replace(PLAIN, until_ms=20 * MINUTE, closing=510_000), replace(PLAIN, from_ms=20 * MINUTE, opening=7_000)
    tracker = Tracker([old, new])
    for t, value in ((19 * MINUTE, 500_000), (20 * MINUTE, 7_000)):
        tracker.step(t, value)
    assert (tracker.rule, tracker.raw, tracker.total) == (new, 7_000, tracker.breakpoints.total[0] + 10_000)


def test_begun_again_at_the_first_moment_of_an_instrument_its_rule_holds() -> None:
    """An anchor at the very moment of the exchange is one of the new meter: its weight of three counts."""
    old = replace(PLAIN, until_ms=20 * MINUTE)
    new = replace(PLAIN, from_ms=20 * MINUTE, numerator=3)
    tracker = Tracker([old, new], Anchor(20 * MINUTE, 7_000, 20 * MINUTE))
    tracker.step(21 * MINUTE, 17_000)
    assert tracker.total == 30_000


def test_the_energy_between_two_instruments_is_in_the_total() -> None:
    """What was said to have flowed while no meter was in counts, in the running total too, whoever reads it."""
    old = replace(PLAIN, until_ms=20 * MINUTE, closing=1_200_000)
    new = replace(PLAIN, from_ms=30 * MINUTE, opening=0, gap=55_000)
    tracker = Tracker([old, new])
    for t, value in [*minutes(*range(1000, 1200, 10)), *minutes(0, 10, 20, start=31 * MINUTE)]:
        tracker.step(t, value)
    assert tracker.total is not None
    assert tracker.total - tracker.breakpoints.total[0] == 200_000 + 55_000 + 20_000


@pytest.mark.parametrize(
    ("asked", "final"),
    [
        (0, True),
        (5 * MINUTE, True),  # it rose there: no freeze can reach back beyond it
        (5 * MINUTE + 1, False),  # it stands since: that it stood still may yet be found
        (7 * MINUTE, False),
        (7 * MINUTE + 1, False),  # nothing was read there yet
    ],
)
def test_a_line_is_final_up_to_where_the_register_stands(asked: int, final: bool) -> None:
    """While it may yet be found to have stood still, what is after its last rise is not final."""
    assert track(minutes(0, 10, 20, 30, 40, 50, 50, 50)).is_final(asked) is final


@pytest.mark.parametrize(("stands_ms", "final"), [(FREEZE_MS, False), (FREEZE_MS + MINUTE, True)])
def test_a_line_is_final_once_the_register_stands_longer_than_it_can_freeze(stands_ms: int, final: bool) -> None:
    """A load that is off: after the longest freeze nothing before can be redrawn."""
    tracker = Tracker([SHORT])
    for minute in range(stands_ms // MINUTE + 1):
        tracker.step(minute * MINUTE, 5_000)
    assert tracker.is_final(MINUTE) is final


SERIES = st.lists(
    st.tuples(
        st.integers(1, 120),  # seconds since the last
        st.sampled_from([0, 0, 100, 1000, 3000, -500, -90_000_000, 60_000_000, 400_000]),
        st.sampled_from([None, None, None, None, 0, 99_999_999, 40_000]),  # a value instead
    ),
    min_size=1,
    max_size=150,
)


def readings_of(series: list[tuple[int, int, int | None]]) -> list[tuple[int, int]]:
    """A hostile register: it stands, counts, falls, jumps, and shows nonsense now and then."""
    t, value, results = 0, 99_000_000, []
    for seconds, rise, instead in series:
        t += seconds * 1000
        value = (value + rise) % 100_000_000
        results.append((t, value if instead is None else instead))
    return sorted(set(results))


@given(SERIES)
@settings(max_examples=400, deadline=None)
def test_taking_runs_at_once_is_the_same_as_step_by_step(series: list[tuple[int, int, int | None]]) -> None:
    """The fast path of the replay and the single step of the live daemon make the same breakpoints."""
    readings = readings_of(series)
    whole = track(readings)
    stepped = Tracker([PLAIN])
    for t, value in readings:
        stepped.step(t, value)
    for column in ("t", "total", "raw", "plateau", "edge", "anchorable"):
        assert getattr(whole.breakpoints, column) == getattr(stepped.breakpoints, column)
    assert (whole.events, whole.pending) == (stepped.events, stepped.pending)


@given(SERIES, st.data())
@settings(max_examples=400, deadline=None)
def test_following_again_from_any_anchor_gives_the_same_figures(
    series: list[tuple[int, int, int | None]], data: st.DataObject
) -> None:
    """A restart or a late reading may begin at any anchor: every later interval comes out the same."""
    readings = readings_of(series)
    whole = track(readings)
    usable = [i for i, flag in enumerate(whole.breakpoints.anchorable) if flag]
    anchor = whole.breakpoints.anchor(data.draw(st.sampled_from(usable)))
    again = Tracker([PLAIN], anchor)
    again.run(np.array([t for t, _ in readings]), np.array([v for _, v in readings]))
    if again.rerun_from is not None:
        assert again.rerun_from < anchor.at_ms  # it asks for an earlier beginning, never gives a wrong figure
        return
    first = -(-anchor.at_ms // QUARTER) * QUARTER
    until = first + 20 * QUARTER
    left, right = energies(whole, first, until), energies(again, first, until)
    assert left.energy.tolist() == right.energy.tolist()
    assert left.present.tolist() == right.present.tolist()
    assert left.flags.tolist() == right.flags.tolist()


@given(SERIES)
@settings(max_examples=200, deadline=None)
def test_nothing_is_ever_booked_faster_than_the_point_can_draw(series: list[tuple[int, int, int | None]]) -> None:
    """Between any two breakpoints that are not separated by a break the mean power is possible."""
    breakpoints = track(readings_of(series)).breakpoints
    for i in range(1, len(breakpoints)):
        if breakpoints.edge[i] != Edge.BREAK:
            rise = breakpoints.total[i] - breakpoints.total[i - 1]
            assert rise >= 0
            assert rise <= PLAIN.limit(breakpoints.t[i] - breakpoints.t[i - 1])


# -- the rules of the plan ---------------------------------------------------------------------------------------------

LIMITS = Limits(point_max_w=1_000_000, reset_confirmations=5, freeze_max_s=7_200)
FIRST = Instrument(
    "q1", 0, until_ms=DAY, register_max_wh=Fraction(100_000), resolution_wh=Fraction(10), opening=((IMPORT, 7_000),),
    closing=((IMPORT, 9_000), (EXPORT, 1)),
)  # fmt: skip
SECOND = Instrument(
    "q1",
    DAY,
    ct_primary_a=250.0,
    ct_secondary_a=5.0,
    pulse_wh=Fraction(1, 2),
    opening=((EXPORT, 3),),
    gap=((IMPORT, 12),),
)


def rules(*, per_ct: bool = False, pulses: bool = False, rating_a: float | None = None) -> tuple[Rule, ...]:
    """The rules of the import register of a point with two instruments, one after the other."""
    plan = Site("row", "UTC", boards=(Board("main"),), points=(Point("q1", "main", Role.FEEDER, rating_a=rating_a),))
    plan = replace(plan, instruments=(FIRST, SECOND), limits=LIMITS)
    return rules_of(plan, plan.point("q1"), IMPORT, per_ct=per_ct, pulses=pulses)


def test_an_instrument_of_the_plan_is_a_rule_in_milli_units() -> None:
    """Capacity, resolution, dates, freeze and what the register showed at its ends, of the register that is asked for."""
    first, second = rules()
    assert (first.from_ms, first.until_ms, second.from_ms) == (0, DAY, DAY)
    assert second.until_ms > 10_000 * 365 * DAY
    assert (first.capacity, first.resolution, second.capacity, second.resolution) == (100_000_000, 10_000, None, 0)
    assert (first.opening, first.closing, second.opening, second.closing) == (7_000, 9_000, None, None)
    assert (first.gap, second.gap) == (None, 12)
    assert (first.confirmations, first.freeze_max_ms) == (5, 7_200_000)
    assert (first.numerator, first.denominator) == (1, 1)


def test_the_largest_advance_is_one_and_a_half_times_the_power_of_the_point() -> None:
    """1 MW without a rating; 63 A at 400 V are 43.65 kW; a meter on the secondary side advances by as much less."""
    assert rules()[0].limit_per_s == -(-1_500_000 * 1000 // 3600)
    mw = round(3**0.5 * 400 * 63 * 1000)
    assert mw == 43_647_680
    assert rules(rating_a=63.0)[0].limit_per_s == -(-3 * mw // 7200)
    first, second = rules(rating_a=63.0, per_ct=True)
    assert (first.limit_per_s, second.limit_per_s) == (-(-3 * mw // 7200), -(-3 * mw // (7200 * 50)))
    assert (second.numerator, second.denominator) == (50, 1)
    assert second.limit(3_600_000) == second.limit_per_s * 3600 + 1
    assert first.limit(1_500) == first.limit_per_s * 1_500 // 1000 + 10_001


def test_a_pulse_is_one_step_and_weighs_what_the_plan_says() -> None:
    """Half a Wh each at 250/5: 25 Wh on the primary side where it counts the secondary."""
    first, second = rules(pulses=True)
    assert (first.resolution, second.resolution) == (1000, 1000)
    assert (second.numerator, second.denominator) == (1, 2)
    assert second.limit_per_s == -(-1_500_000_000 * 2 // 3600)
    _, both = rules(pulses=True, per_ct=True)
    assert (both.numerator, both.denominator) == (25, 1)
    assert [second.mwh(raw) for raw in (0, 1, 2, 3, 1_001)] == [0, 1, 1, 2, 501]


@pytest.mark.parametrize("largest", [2**20, 2**52, 2**55, 2**60])
def test_a_column_of_readings_weighs_what_each_of_them_does(largest: int) -> None:
    """Also where the product passes 64 bits."""
    rule = replace(PLAIN, numerator=2_500, denominator=3)
    raw = np.array([0, 1, 2, largest - 1, largest], dtype=np.int64)
    wanted = [(value * 2_500 + 1) // 3 for value in raw.tolist()]
    if max(wanted) < 2**63:
        assert rule.mwh_column(raw).tolist() == wanted
    else:
        with pytest.raises(OverflowError):
            rule.mwh_column(raw)
    assert rule.mwh_column(raw[:0]).tolist() == []


@given(
    st.lists(st.tuples(st.integers(1, 8), st.integers(0, 14)), min_size=1, max_size=14),
    st.sampled_from([None, 6, 9, 12]),
    st.integers(0, 2),
    st.booleans(),
)
@settings(max_examples=400, deadline=None)
def test_many_readings_at_once_are_what_they_are_one_by_one(
    readings: list[tuple[int, int]], capacity: int | None, resolution: int, rising: bool
) -> None:
    """Small registers, so that every limit is met exactly and passed by one: lines, anchors, events and what is held."""
    rule = Rule(capacity=capacity, limit_per_s=2, resolution=resolution, confirmations=2, freeze_max_ms=9_000)
    times = np.cumsum([1000 * seconds for seconds, _ in readings], dtype=np.int64)
    shown = [raw for _, raw in readings]
    raws = np.array(sorted(shown) if rising else shown, dtype=np.int64)
    once, singly = Tracker([rule]), Tracker([rule])
    once.run(times, raws)
    for t, raw in zip(times.tolist(), raws.tolist(), strict=True):
        singly.step(t, raw)
    for name in Breakpoints.__slots__:
        assert list(getattr(once.breakpoints, name)) == list(getattr(singly.breakpoints, name)), name
    for name in ("events", "pending", "at", "raw", "plateau", "seen_to", "rerun_from", "redrawn_from"):
        assert getattr(once, name) == getattr(singly, name), name


@pytest.mark.parametrize("rise", [0, 2])
def test_within_a_time_in_which_it_could_go_round_a_register_gives_a_lower_bound(rise: int) -> None:
    """Ten seconds at 2 a second are more than the twelve it can show: also where it shows the same again."""
    tracker = Tracker([Rule(capacity=12, limit_per_s=2)])
    tracker.run(np.array([0, 1_000, 11_000], dtype=np.int64), np.array([5, 5, 5 + rise], dtype=np.int64))
    assert [(event.kind, event.at_ms) for event in tracker.events] == [("ambiguous", 11_000)]
    assert list(tracker.breakpoints.edge) == [Edge.KNOWN, Edge.KNOWN, Edge.BOUND]
    assert tracker.breakpoints.total[-1] == rise


def test_a_reading_at_the_width_of_the_register_is_not_believed() -> None:
    """Twelve is the first number that a register of twelve steps cannot show, also after plain readings."""
    tracker = Tracker([Rule(capacity=12, limit_per_s=2)])
    tracker.run(1_000 * np.arange(5, dtype=np.int64), np.array([0, 3, 6, 9, 12], dtype=np.int64))
    assert list(tracker.breakpoints.t) == [0, 1_000, 2_000, 3_000]
    assert tracker.pending == [(4_000, 12)]


@pytest.mark.parametrize("later", [0, 1, 5])
def test_readings_after_the_last_instrument_was_taken_out_belong_to_none(later: int) -> None:
    tracker = Tracker([Rule(until_ms=3_000, limit_per_s=2)])
    count = 3 + later
    tracker.run(1_000 * np.arange(count, dtype=np.int64), np.arange(count, dtype=np.int64))
    assert list(tracker.breakpoints.t) == [0, 1_000, 2_000]
    assert tracker.events == []
