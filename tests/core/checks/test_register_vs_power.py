"""Register and power are compared over windows that are long enough and covered; only gross, lasting disagreement is reported."""

import pytest

from meterd.core.checks.register_vs_power import Agreement, Disagreement, Kind, disagreement
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.snapshot import Now

MINUTE = 60_000
CHANNELS = [("q01", IMPORT), ("q01", EXPORT), ("q01", POWER), ("q02", IMPORT)]


@pytest.mark.parametrize(
    ("register", "power", "kind"),
    [
        (10_000.0, 10_000.0, None),
        (10_000.0, 6_500.0, None),  # a load that switches between samples
        (0.0, 10_000.0, Kind.STANDS),
        (-9_000.0, 9_000.0, Kind.SIGN),
        (20_000.0, 10_000.0, Kind.FACTOR),
        (10_000.0, 0.0, Kind.FACTOR),
    ],
)
def test_kind_of_disagreement(register: float, power: float, kind: Kind | None) -> None:
    assert disagreement(register, power) is kind


@pytest.mark.parametrize(("results", "factor"), [(990.0, 1000.0), (0.0101, 0.01), (2.05, 2.0), (1.7, 1.7)])
def test_a_factor_near_a_usual_step_is_taken_for_it(results: float, factor: float) -> None:
    assert Disagreement(Kind.FACTOR, 0, results * 1000, 1000).factor == pytest.approx(factor)


def test_a_factor_over_nothing_is_infinite() -> None:
    assert Disagreement(Kind.FACTOR, 0, 1000.0, 0.0).factor == float("inf")


def follow(minutes: int, power_w: float, wh_a_minute: float, *, every: int = 1, export: bool = False) -> Agreement:
    """A point whose register and power go on as given; the power comes every so many minutes."""
    agreement = Agreement(CHANNELS)
    for minute in range(minutes):
        at = minute * MINUTE
        if minute % every == 0:
            agreement.take([Reading("q01", POWER, at, power_w, at)])
        moved = 50_000.0 + wh_a_minute * minute
        imported, exported = (50_000.0, moved) if export else (moved, 50_000.0)
        agreement.compare({("q01", IMPORT): Now(imported, at), ("q01", EXPORT): Now(exported, at)})
    return agreement


def test_a_sound_meter_is_silent_also_while_it_exports() -> None:
    assert not follow(600, 6_000.0, 100.0).disagreements
    assert not follow(600, -6_000.0, 100.0, export=True).disagreements


def test_a_register_that_counts_without_power_is_reported() -> None:
    assert follow(600, 0.0, 100.0).disagreements["q01"].kind is Kind.FACTOR


def test_a_window_with_gaps_is_not_judged() -> None:
    assert not follow(600, 6_000.0, 0.0, every=10).disagreements


def test_it_is_over_when_both_agree_again() -> None:
    agreement = follow(600, 6_000.0, 0.0)
    assert agreement.disagreements
    for minute in range(600, 1_000):
        at = minute * MINUTE
        agreement.take([Reading("q01", POWER, at, 6_000.0, at)])
        imported = Now(50_000.0 + 100.0 * (minute - 599), at)
        agreement.compare({("q01", IMPORT): imported, ("q01", EXPORT): Now(50_000.0, at)})
    assert not agreement.disagreements
