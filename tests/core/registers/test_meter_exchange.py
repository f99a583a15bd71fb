"""What speaks against an exchange, what flows in a gap, and the line of a register across both."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.registers.meter_exchange import RegisterExchange, inconsistencies, usual_energy
from meterd.core.registers.register_line import Flag, figures
from meterd.core.registers.tracker import Rule, Tracker

QUARTER, HOUR, DAY = 900_000, 3_600_000, 86_400_000
OUT, IN = 10 * HOUR, 11 * HOUR
# 30 kW at most: 8,334 milli-units a second
OLD = Rule(until_ms=OUT, capacity=10**9, limit_per_s=8_334, resolution=1_000, closing=500_000)
NEW = Rule(from_ms=OUT, limit_per_s=8_334, opening=7_000, capacity=10**8)
SOUND = RegisterExchange("import", OLD, NEW, (OUT - 60_000, 499_000), (OUT + 60_000, 8_000))


def test_readings_that_follow_each_other_raise_no_doubt() -> None:
    """Also where the display shows one digit less than the instrument tells, and where nothing was read yet."""
    assert inconsistencies(SOUND) == []
    assert inconsistencies(replace(SOUND, last=(OUT - 60_000, 500_900))) == []
    assert inconsistencies(replace(SOUND, last=None, first=None)) == []


@pytest.mark.parametrize(
    ("swap", "expected"),
    [
        (replace(SOUND, last=(OUT - 60_000, 502_000)), "import: the closing reading 500 is below the last reading 502"),
        (replace(SOUND, last=(OUT - 60_000, -3_000)), "the point can draw 501.041 in that time"),
        (replace(SOUND, first=(OUT + 60_000, 5_000)), "the first reading of the new meter 5 is below its opening 7"),
        (replace(SOUND, first=(OUT + 1_000, 900_000)), "is 893 above its opening"),
        (replace(SOUND, old=replace(OLD, closing=None)), "import: there is no closing reading"),
        (replace(SOUND, new=replace(NEW, opening=None)), "import: there is no opening reading"),
        (replace(SOUND, new=replace(NEW, opening=10**8), first=None), "the opening reading 100000 is more than"),
        (replace(SOUND, new=replace(NEW, from_ms=IN), first=None), "what flowed between the two meters is not known"),
    ],
)
def test_each_slip_is_named(swap: RegisterExchange, expected: str) -> None:
    """One sentence per slip, with the figures."""
    results = [str(inconsistency) for inconsistency in inconsistencies(swap)]
    assert len(results) == 1
    assert expected in results[0]


def test_a_gap_is_what_usually_flows_at_that_time_of_day() -> None:
    """The mean over days with a whole picture; parts of intervals count by their time."""
    low, high = 10 * DAY + QUARTER // 2, 10 * DAY + 2 * QUARTER

    def day(back: int, first: int | None, second: int | None) -> list[tuple[int, int, int | None]]:
        start = 10 * DAY - back * DAY
        return [(start, start + QUARTER, first), (start + QUARTER, start + 2 * QUARTER, second)]

    assert usual_energy([day(1, 1000, 4000)], low, high, DAY) == 4500
    assert usual_energy([day(1, 1000, 4000), day(2, 3000, 2000)], low, high, DAY) == 4000
    assert usual_energy([day(1, 1000, None), day(2, 3000, 2000)], low, high, DAY) == 3500
    assert usual_energy([day(1, None, 4000), day(2, 1, 1)[:1], []], low, high, DAY) is None
    start = 9 * DAY
    around = [(start - QUARTER, start, 90_000), *day(1, 1000, 4000), (start + 2 * QUARTER, start + 3 * QUARTER, None)]
    assert usual_energy([around], low, high, DAY) == 4500, "what lies before and after is no part of it"


def energies(rules: tuple[Rule, ...], readings: list[tuple[int, int]]) -> tuple[list[int | None], list[int]]:
    """Interval energies of 20 hours, and their flags."""
    tracker = Tracker(rules)
    table = np.array(readings, dtype=np.int64)
    tracker.run(table[:, 0], table[:, 1])
    result = figures(
        tracker.breakpoints, 0, 20 * HOUR, interval_ms=QUARTER, gap_exact_ms=300_000, gap_estimate_ms=366 * DAY
    )
    both = zip(result.energy.tolist(), result.present.tolist(), strict=True)
    return [energy if there else None for energy, there in both], result.flags.tolist()


def simulated(fitted_ms: int) -> list[tuple[int, int]]:
    """A steady load of 12 kW on a meter with thousandths, then on a new one with a ratio of 3/2, a minute apart."""
    load = 200_000 // 60  # mWh a second
    old = [(t, load * t // 1000) for t in range(0, OUT, 60_000)]
    return old + [
        (t, 7_000 + load * (t - fitted_ms) // 1000 * 2 // 3) for t in range(fitted_ms + 60_000, 21 * HOUR, 60_000)
    ]


def test_energy_over_an_exchange_telescopes_to_the_truth() -> None:
    """Every quarter hour is known, and their sum is what the simulated meters counted, to the rounding of one reading."""
    load = 200_000 // 60
    old = Rule(until_ms=OUT, limit_per_s=10**5, closing=load * OUT // 1000)
    new = Rule(from_ms=OUT, limit_per_s=10**5, opening=7_000, numerator=3, denominator=2)
    results, flags = energies((old, new), simulated(OUT))
    assert None not in results
    assert abs(sum(e or 0 for e in results) - load * 20 * 3600) <= 3
    assert not any(flags)


def test_the_energy_of_a_gap_is_kept_and_its_shape_is_an_estimate() -> None:
    """An hour without a meter: with the energy said the sum is exact, without it the hour is unknown and the rest is not."""
    load = 200_000 // 60
    old = Rule(until_ms=OUT, limit_per_s=10**5, closing=load * OUT // 1000)
    new = Rule(from_ms=IN, limit_per_s=10**5, opening=7_000, numerator=3, denominator=2, gap=load * 3600)
    results, flags = energies((old, new), simulated(IN))
    assert None not in results
    assert abs(sum(e or 0 for e in results) - load * 20 * 3600) <= 3
    inside = slice(OUT // QUARTER, IN // QUARTER)
    assert results[inside] == [load * 900] * 4
    assert [bool(flag) for flag in flags[inside]] == [True] * 4
    assert flags[OUT // QUARTER] == Flag.END, "its begin is a closing reading"
    unknown, _ = energies((old, replace(new, gap=None)), simulated(IN))
    assert [i for i, energy in enumerate(unknown) if energy is None] == [
        *range(OUT // QUARTER, IN // QUARTER),
        IN // QUARTER,
    ]


def test_a_closing_reading_with_a_digit_less_is_taken() -> None:
    """The display shows whole Wh where the interface has given more: the energy does not become unknown for it."""
    old = Rule(until_ms=OUT, limit_per_s=10**5, resolution=1_000, closing=119_988_000)
    new = Rule(from_ms=OUT, limit_per_s=10**5, opening=0)
    readings = [(0, 0), (OUT - 60_000, 119_988_400), (OUT + 60_000, 200_000)]
    results, _ = energies((old, new), [*readings, (20 * HOUR, 300_000)])
    assert None not in results
    assert sum(e or 0 for e in results) == 119_988_400 + 300_000
