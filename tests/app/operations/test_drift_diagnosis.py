"""A suspicion is looked into with plan and store: power factor by kinds of load, CT ratio, onset, and a correction."""

import math
import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.drift_diagnosis import reactive_of
from meterd.app.operations.drift_job import examine, finding_of
from meterd.core.drift.identification import Suspicion
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import FigureRow
from meterd.core.registers.corrections import factor_of
from tests.simulator.drift_phasors import RATIO, REVERSED, ROTATED_BACK, SWAPPED, Wires, counted, two_loads

BEGIN = 1_772_319_600_000  # 2026-02-28 23:00 UTC: 1 March in Vienna
QUARTER = 900_000
FEEDERS = ("ovens", "pumps", "offices")


def plan(*registers: str) -> Site:
    """One board with three feeders; the pumps have transformers of 250/5 A and are read by those registers."""
    names = ("t1", *FEEDERS)
    return Site(
        "works",
        "Europe/Vienna",
        boards=(Board("main", rating_kva=250.0),),
        points=tuple(Point(n, "main", Role.FEED if n == "t1" else Role.FEEDER, rating_a=250.0) for n in names),
        instruments=tuple(
            Instrument(n, 0, meter_class="1", ct_class="0.5", ct_primary_a=250.0, ct_secondary_a=5.0) for n in names
        ),
        inputs=tuple(
            Input(n, register, "meters", n) for n in names for register in (registers if n == "pumps" else (IMPORT,))
        ),
    )


def kept(path: Path, site: Site, wires: Wires, *, days: int = 2, first_row: int = 0) -> SqliteStore:
    """A store with days of figures; from a row on the transformers of the pumps are connected so."""
    generator, rows = np.random.default_rng(7), 96 * days
    hour = np.arange(rows) / 4 % 24
    ovens = 20e6 * (0.2 + ((hour > 3) & (hour < 11)))
    pumps = 12e6 * (0.3 + 0.7 * np.sin(np.pi * hour / 24) ** 2)
    offices = 9e6 * (0.15 + ((hour > 8) & (hour < 18)))
    loads = np.column_stack([ovens, pumps, offices]) / 4 * generator.uniform(0.9, 1.1, (rows, 3))
    feed = loads.sum(axis=1) * (1.003 + 0.001 * generator.standard_normal(rows))
    active, reactive = counted(loads[:, 1], two_loads(rows), wires)
    right = counted(loads[:, 1], two_loads(rows), Wires())
    faulty = np.arange(rows) >= first_row
    active, reactive = np.where(faulty, active, right[0]), np.where(faulty, reactive, right[1])
    columns = {
        ("t1", IMPORT): feed,
        ("ovens", IMPORT): loads[:, 0],
        ("offices", IMPORT): loads[:, 2],
        ("pumps", IMPORT): np.maximum(active, 0),
        ("pumps", EXPORT): np.maximum(-active, 0),
        ("pumps", "3.8.0"): np.maximum(reactive, 0),
        ("pumps", "4.8.0"): np.maximum(-reactive, 0),
    }
    read = {(row.point, row.register) for row in site.inputs}
    store = SqliteStore.writer(path)
    with store.transaction():
        store.write_figures(
            [
                FigureRow(channel, Period.INTERVAL, BEGIN + QUARTER * t, round(mwh), 0)
                for channel, column in columns.items()
                if channel in read
                for t, mwh in enumerate(column.tolist())
            ],
            now_ms=0,
            reason="test",
        )
    return store


def suspected(path: Path, site: Site, wires: Wires, *, days: int = 2, first_row: int = 0) -> Suspicion:
    """The one suspicion of the examination of such a store."""
    store = kept(path / "s.sqlite", site, wires, days=days, first_row=first_row)
    (watched,) = examine(store, site)
    store.close()
    (suspicion,) = watched.suspicions
    return suspicion


ALL = (IMPORT, EXPORT, "3.8.0", "4.8.0")


@pytest.mark.parametrize(
    ("wires", "first"),
    [
        (ROTATED_BACK, "currents rotated the other way"),
        (REVERSED, "one current transformer reversed"),
        (RATIO, "ratio 250/5 fitted but 200/5 set"),
    ],
)
def test_cause_by_two_loads_of_different_power_factor(tmp_path: Path, wires: Wires, first: str) -> None:
    """Simulated phase by phase: the finding says at which power factors, and offers what fits both."""
    suspicion = suspected(tmp_path, plan(*ALL), wires)
    assert suspicion.named == "ratio pumps"
    assert suspicion.candidates[0].causes[0].startswith(first)
    evidence = finding_of(suspicion, plan(*ALL)).evidence[0]
    assert evidence.endswith(f"; fits: {', '.join(suspicion.candidates[0].causes)}")
    assert first not in suspicion.text, "the sentence is short; the causes are evidence"
    assert ("does not depend" in evidence) == (wires is not ROTATED_BACK)
    assert (suspicion.correction == "") == (wires is ROTATED_BACK), "no single number undoes what changes with the load"
    assert "power factor of" in evidence


def test_without_reactive_energy_the_finding_says_so(tmp_path: Path) -> None:
    site = plan(IMPORT, EXPORT)
    suspicion = suspected(tmp_path, site, REVERSED)
    text = "power factor not measured: causes that depend on it cannot be told apart"
    assert text in finding_of(suspicion, site).evidence[0]


def test_two_swapped_phases_are_found_with_a_baseline(tmp_path: Path) -> None:
    """A balanced load then counts nothing, and its flow is gone from the sums: it must not be put down to the feed."""
    suspicion = suspected(tmp_path, plan(*ALL), SWAPPED, days=40, first_row=96 * 34)
    assert suspicion.named is None
    assert suspicion.candidates[0].hypothesis == "ratio pumps"
    assert "counts nothing any more" in suspicion.text
    assert "currents of two phases swapped" in suspicion.candidates[0].causes[0]
    assert suspicion.correction == ""


@pytest.mark.parametrize(
    ("days", "kind", "since", "until"),
    [
        (4, "gross", "2026-03-03T10:00:00+01:00", "2026-03-05T00:00:00+01:00"),
        (28, "drift", "2026-03-25T10:00:00+01:00", "2026-03-29T00:00:00+01:00"),
    ],
)
def test_a_correction_is_proposed_from_the_quarter_hour_of_the_change(
    tmp_path: Path, days: int, kind: str, since: str, until: str
) -> None:
    """The line can be carried out as it stands but for the plan and the name; both directions where both are read."""
    site = plan(IMPORT, EXPORT)
    suspicion = suspected(tmp_path, site, RATIO, days=days, first_row=96 * (days - 4 + 2 * (days == 4)) + 40)
    assert suspicion.kind == kind
    assert suspicion.candidates[0].step == pytest.approx(-0.2, abs=0.02)
    assert suspicion.candidates[0].text in suspicion.text or suspicion.candidates[0].of_truth in suspicion.text
    assert suspicion.named == "ratio pumps"
    first, second = suspicion.correction.split("; ")
    parts = shlex.split(first)
    options = dict(zip(parts[3::2], parts[4::2], strict=True))
    assert parts[:3] == ["meterd", "correct", "PLAN"]
    assert (options["--from"], options["--to"]) == (since, until)
    # class 1 without a baseline leaves 300/250 open beside 250/200, so what was measured is proposed
    exact = kind == "drift"
    assert float(factor_of(options["--factor"])) == pytest.approx(1.25, rel=1e-9 if exact else 0.02)
    assert ("200/5 set" if exact else "of the true energy by the balance") in options["--reason"]
    assert "--register export" in second
    assert suspicion.correction in finding_of(suspicion, site).evidence[-1]


def test_the_correction_of_a_wiring_fault_is_what_was_found(tmp_path: Path) -> None:
    """One transformer reversed reads a third of a balanced load only: the measured factor counts."""
    suspicion = suspected(tmp_path, plan(IMPORT), REVERSED, days=3, first_row=96)
    options = shlex.split(suspicion.correction)
    factor = options[options.index("--factor") + 1]
    assert float(factor_of(factor)) == pytest.approx(3.0, rel=0.03)
    assert options[options.index("--from") + 1][:10] in ("2026-03-01", "2026-03-02")


def test_a_gross_fault_is_found_beside_a_change_that_lasts(tmp_path: Path) -> None:
    """The pumps read 2 % too little for a week; on the last day a transformer of the ovens is reversed."""
    site = plan(IMPORT)
    path = tmp_path / "s.sqlite"
    store = kept(path, site, Wires(), days=36)
    spans = {"pumps": (0.95, 28), "ovens": (1 / 3, 35)}
    with store.transaction():
        for name, (factor, first) in spans.items():
            grid = BEGIN + QUARTER * np.arange(96 * first, 96 * 36)
            was = store.columns([(name, IMPORT)], Period.INTERVAL, grid).energy[:, 0]
            rows = zip(grid.tolist(), was.tolist(), strict=True)
            faulty = [FigureRow((name, IMPORT), Period.INTERVAL, at, round(e * factor), 0) for at, e in rows]
            store.write_figures(faulty, now_ms=1, reason="test")
    (watched,) = examine(store, site)
    store.close()
    lasting, second = watched.suspicions
    assert (lasting.kind, lasting.named) == ("drift", "ratio pumps")
    assert (second.kind, second.named) == ("gross", "ratio ovens")
    assert {finding_of(suspicion, site).id for suspicion in watched.suspicions} == {"drift-pumps", "drift-ovens"}


def test_rotated_currents_are_named_on_their_first_day_against_a_baseline(tmp_path: Path) -> None:
    """With a baseline the changing factor passed for noise, day after day; undone by the reactive energy it does not.

    The last closed day is rotated from one o'clock on, since the clocks have changed meanwhile.
    """
    suspicion = suspected(tmp_path, plan(*ALL), ROTATED_BACK, days=35, first_row=96 * 34)
    assert (suspicion.kind, suspicion.named) == ("gross", "ratio pumps")
    assert suspicion.candidates[0].causes[0].startswith("currents rotated the other way")
    assert "depends on the power factor" in suspicion.candidates[0].measured


def test_no_correction_for_a_factor_that_is_negative(tmp_path: Path) -> None:
    suspicion = suspected(tmp_path, plan(*ALL), replace(ROTATED_BACK, phases=(1, 2, 0)))
    assert suspicion.candidates[0].step < -1.5
    assert suspicion.correction == ""


def test_reactive_energy_is_signed_or_unknown(tmp_path: Path) -> None:
    """3.8.0 less 4.8.0; without 4.8.0 a standing 3.8.0 may hide capacitive energy; without 3.8.0 there is none."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = [
        FigureRow(("pumps", register), Period.INTERVAL, BEGIN + t * QUARTER, mvarh, 0)
        for register, series in (("3.8.0", (5, 0, 7)), ("4.8.0", (0, 4, 1)))
        for t, mvarh in enumerate(series)
    ]
    with store.transaction():
        store.write_figures(rows, now_ms=0, reason="test")
    grid = BEGIN + QUARTER * np.arange(4)
    signed = reactive_of(store, plan(*ALL), "pumps", grid)
    assert signed is not None
    assert signed.present.tolist() == [True, True, True, False]
    assert signed.energy[:3].tolist() == [5, -4, 6]
    half = reactive_of(store, plan(IMPORT, "3.8.0"), "pumps", grid)
    assert half is not None
    assert half.present.tolist() == [True, False, True, False]
    assert reactive_of(store, plan(IMPORT), "pumps", grid) is None
    store.close()
    assert math.isclose(BEGIN + 2 * DAY_MS, grid[0] + 2 * DAY_MS)
