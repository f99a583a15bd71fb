"""A register a thousand times too fast or slow, a forgotten ratio, exchanged directions: named; sound sites stay silent."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from meterd.core.checks.proposed_correction import proposed
from meterd.core.checks.register_samples import RegisterSamples
from meterd.core.checks.register_scale import DoubtKind, Floats, other_unit, rises, scale_doubts, scale_findings
from meterd.core.model.finding_cause import cause_of
from meterd.core.model.periods import HOUR_MS
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.model.results import Channel

DATA = Path(__file__).parents[2] / "data" / "siteA_main.parquet"
FEEDERS = [f"q{n}" for n in range(1, 8)]
Energies = dict[Channel, Floats]


def site(*, ratio: dict[str, tuple[float, bool]] | None = None, unit: str = "kWh") -> Site:
    """A feed with export, PV behind the board, seven feeders; `ratio` of some, and whether the plan applies it."""
    points = [
        Point("main", "b", Role.FEED, rating_a=1000),
        *(Point(name, "b", Role.FEEDER, rating_a=400) for name in FEEDERS),
    ]
    ratios = ratio or {}
    inputs = [
        Input(name, register, "s", f"{name}{register}", unit=unit, per_ct=ratios.get(name, (1, False))[1])
        for name, register in (("main", IMPORT), ("main", EXPORT), *((name, IMPORT) for name in FEEDERS))
    ]
    instruments = [Instrument(name, 0, ct_primary_a=5 * k, ct_secondary_a=5.0) for name, (k, _) in ratios.items()]
    return Site(
        "s", "UTC", boards=(Board("b"),), points=tuple(points), inputs=tuple(inputs), instruments=tuple(instruments)
    )


@cache
def solution() -> pd.DataFrame:
    """Powers of the given site, read once."""
    return pd.read_parquet(DATA)


def given(stretches: int = 48, hours: int = 24) -> Energies:
    """The given solved site: energies in mWh of stretches. Its losses and unmetered parts are real ones of the solution."""
    frame = solution()
    quarters = stretches * hours * 4

    def energy(values: np.ndarray) -> Floats:  # type: ignore[type-arg]
        return np.asarray(values[:quarters].reshape(stretches, -1).sum(axis=1) * 0.25 * 1e6)

    feeders = {name: np.maximum(frame[f"feeder{n}_p_kw"].to_numpy(), 0) for n, name in enumerate(FEEDERS, 1)}
    back = sum(np.maximum(-frame[f"feeder{n}_p_kw"].to_numpy(), 0) for n in range(1, 8))
    main = frame["main_p_kw"].to_numpy() + back  # feeders without the export of the PV behind them
    energies = {(name, IMPORT): energy(values) for name, values in feeders.items()}
    return energies | {("main", IMPORT): energy(np.maximum(main, 0)), ("main", EXPORT): energy(np.maximum(-main, 0))}


def times(energies: Energies, point: str, factor: float) -> Energies:
    return {channel: values * (factor if channel[0] == point else 1) for channel, values in energies.items()}


def test_the_given_site_is_sound() -> None:
    assert scale_doubts(site(), given(), 24 * HOUR_MS) == []
    assert scale_doubts(site(), given(24, 1), HOUR_MS) == []


@pytest.mark.parametrize("point", FEEDERS)
@pytest.mark.parametrize("spans", [(48, 24), (24, 1)])
def test_a_register_in_the_larger_unit_is_named(point: str, spans: tuple[int, int]) -> None:
    """The file holds MWh, the plan says kWh: by the balance of two months, and of one day of hours. None but it is named."""
    results = scale_doubts(site(), times(given(*spans), point, 0.001), spans[1] * HOUR_MS)
    assert [(doubt.points, doubt.kind, doubt.factor) for doubt in results] in ([((point,), DoubtKind.UNIT, 1000.0)], [])
    share = given(*spans)[point, IMPORT].sum() / given(*spans)["main", IMPORT].sum()
    assert results or share < 0.05, "only a feeder whose absence is no more than the losses may stay unnamed"


@pytest.mark.parametrize(
    ("plan", "factor", "kind", "message"),
    [
        (
            site(),
            1000.0,
            DoubtKind.UNIT,
            "q3: looks like Wh where the plan says kWh (factor 1000); as it is read it draws",
        ),
        (
            site(unit="Wh"),
            0.001,
            DoubtKind.UNIT,
            "q3: looks like kWh where the plan says Wh (factor 1000); with that the balance",
        ),
        (
            site(unit="imp"),
            0.001,
            DoubtKind.UNIT,
            "q3: counts a thousand times too slowly (factor 1000); with that the balance",
        ),
        (
            site(ratio={"q3": (50, False)}),
            0.02,
            DoubtKind.RATIO_MISSING,
            "the current-transformer factor 50 is missing; with that",
        ),
        (
            site(ratio={"q3": (50, True)}),
            50.0,
            DoubtKind.RATIO_TWICE,
            "the current-transformer factor 50 is applied twice; ",
        ),
        (
            site(),
            1 / 30,
            DoubtKind.RATIO_MISSING,
            "q3: looks like the secondary side: the current-transformer factor 30 is missing",
        ),
        (
            site(),
            0.1,
            DoubtKind.FACTOR,
            "q3: has to be multiplied by 10: a decimal place, a pulse weight or a current-",
        ),
    ],
)
def test_usual_factors_have_their_cause(plan: Site, factor: float, kind: DoubtKind, message: str) -> None:
    results = scale_doubts(plan, times(given(), "q3", factor), 24 * HOUR_MS)
    assert [(doubt.points, doubt.kind) for doubt in results] == [(("q3",), kind)]
    (finding,) = scale_findings(plan, results, 7)
    assert message in finding.text
    assert (finding.id, finding.points) == ("register-scale-q3", ("q3",))
    assert cause_of(finding.cause) is not None
    assert {row.point for row in proposed(finding)} == {"q3"}
    assert float(proposed(finding)[0].factor) == pytest.approx(results[0].factor, rel=1e-3)


def test_all_feeders_in_the_larger_unit_are_one_doubt() -> None:
    energies = given()
    for name in FEEDERS:
        energies = times(energies, name, 0.001)
    (doubt,) = scale_doubts(site(), energies, 24 * HOUR_MS)
    assert (doubt.points, doubt.kind, doubt.factor) == (tuple(FEEDERS), DoubtKind.UNIT, 1000.0)
    assert scale_findings(site(), [doubt], 7)[0].id == "register-scale-b"


def test_exchanged_directions_are_named() -> None:
    """Of a feed by its balance; of PV and a feeder without a source below it by their role."""
    energies = given()
    energies["main", IMPORT], energies["main", EXPORT] = energies["main", EXPORT], energies["main", IMPORT]
    (doubt,) = scale_doubts(site(), energies, 24 * HOUR_MS)
    assert (doubt.points, doubt.kind) == (("main",), DoubtKind.DIRECTION)
    points = (Point("roof", "b", Role.PV), Point("q1", "b", Role.FEEDER), Point("q2", "b", Role.FEEDER))
    below = Point("inverter", "b", Role.PV, below="q2")
    plan = Site("s", "UTC", boards=(Board("b"),), points=(*points, below))
    flows = {(name, EXPORT): np.full(24, 2e6) for name in ("roof", "q1", "q2", "inverter")}
    flows[("inverter", IMPORT)] = np.full(24, 2e6)
    results = scale_findings(plan, scale_doubts(plan, flows, HOUR_MS), 7)
    assert [finding.subject for finding in results] == ["roof", "q1"]
    assert "48.0 kWh flow against its arrow and 0.0 kWh along it" in results[0].text


def test_a_meter_below_a_feeder_is_named_by_the_sum_of_its_neighbours() -> None:
    """A riser with three rooms: one room in another unit, then the riser itself; a riser with unmetered loads says nothing."""
    rng = np.random.default_rng(3)
    rooms = {f"room-{n}": rng.uniform(2e5, 2e6, 24) for n in range(3)}
    riser = Point("riser", "b", Role.FEEDER)
    below = tuple(Point(name, "b", Role.SUB, below="riser") for name in rooms)
    points = (Point("main", "b", Role.FEED), riser, *below)
    inputs = tuple(Input(point.name, IMPORT, "s", point.name, unit="Wh") for point in points)
    plan = Site("s", "UTC", boards=(Board("b"),), points=points, inputs=inputs)
    energies: Energies = {(name, IMPORT): values for name, values in rooms.items()}
    energies |= {(name, IMPORT): np.sum(list(rooms.values()), axis=0) * 1.002 for name in ("main", "riser")}
    assert scale_doubts(plan, energies, HOUR_MS) == []
    (finding,) = scale_findings(plan, scale_doubts(plan, times(energies, "room-1", 0.001), HOUR_MS), 7)
    assert (
        "room-1: looks like kWh where the plan says Wh (factor 1000); with that the meters below riser add up"
        in finding.text
    )
    (doubt,) = scale_doubts(plan, times(energies, "riser", 0.001), HOUR_MS)
    assert (doubt.points, doubt.below) == (("riser",), False)
    unmetered = replace(plan, points=(points[0], replace(riser, unmetered_below=True), *below))
    assert scale_doubts(unmetered, times(energies, "room-1", 0.001), HOUR_MS) == []


def drifting(rng: np.random.Generator, energies: Energies) -> Energies:
    """Errors of instruments, and a load without a meter that is constant or follows a feeder."""
    errors = {channel: 1 + rng.normal(0, 0.01) for channel in energies}
    out = {channel: values * errors[channel] for channel, values in energies.items()}
    feeder = energies[rng.choice(FEEDERS), IMPORT]
    load = rng.uniform(0, 0.1) * (feeder if rng.random() < 0.5 else np.full(len(feeder), feeder.mean()))
    out["main", IMPORT] = out["main", IMPORT] + load
    return out


@pytest.mark.parametrize("change", [lambda e: e, lambda e: times(e, "q5", 0.0), lambda e: times(e, "q5", 1.3)])
def test_ordinary_errors_are_left_to_the_drift_of_the_meters(change: Callable[[Energies], Energies]) -> None:
    """200 sites with errors of one percent, a load without a meter, a feeder that stands still or counts 30 % too much."""
    rng, whole = np.random.default_rng(14), given(240, 24)
    for _ in range(200):
        start = int(rng.integers(0, 200))
        energies = {channel: values[start : start + 24] for channel, values in whole.items()}
        assert scale_doubts(site(), change(drifting(rng, energies)), 24 * HOUR_MS) == []


def test_too_little_says_nothing() -> None:
    energies = {channel: values[:5] for channel, values in times(given(), "q3", 0.001).items()}
    assert scale_doubts(site(), energies, 24 * HOUR_MS) == []
    assert scale_doubts(site(), {}, HOUR_MS) == []


def test_rises_are_read_off_straight_lines() -> None:
    """A reset gives no energy; a grid outside the readings neither. By numpy's own interpolation as the other route."""
    t, raw = np.array([0, 10, 20, 30]), np.array([100, 200, 50, 80])
    assert np.isnan(rises(t, raw, np.array([10, 20]), 1.0)).all()
    assert rises(t, raw, np.array([20, 25, 30]), 2.0).tolist() == [30.0, 30.0]
    assert np.isnan(rises(t[:1], raw[:1], np.array([0, 1]), 1.0)).all()
    assert other_unit("MWh", 1000.0) == ""


def test_samples_keep_one_reading_for_each_quarter_hour() -> None:
    """The newest 24 whole hours of what was read, late ones passed over; a register that no line was made of as well."""
    samples = RegisterSamples([("q1", IMPORT), ("q1", "16.7.0")])
    assert samples.energies({("q1", IMPORT): 1.0})[0] == {}
    minutes = range(27 * 60 + 1)
    samples.take(Reading("q1", IMPORT, m * 60_000, m * 1_000_000, m * 60_000) for m in minutes)
    samples.take([Reading("q1", IMPORT, 0, 7, 0), Reading("q1", "16.7.0", 0, 7.0, 0), Reading("q2", IMPORT, 0, 7, 0)])
    energies, stretch = samples.energies({("q1", IMPORT): 2.0})
    assert stretch == HOUR_MS
    assert energies["q1", IMPORT].tolist() == [2 * 60 * 1_000_000.0] * 24
