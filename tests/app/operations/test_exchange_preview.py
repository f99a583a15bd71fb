"""An exchange as the page says it: what is wrong with it, both rows of the plan, and a command that does just that."""

import shlex
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from meterd.app.operations.exchange_preview import command_of, fitted_meter, record_of
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.registers.meter_exchange import ExchangeEntry
from tests.app.small_plant import DAY, MAY, MINUTE, STEP, filled

END = MAY + 2 * DAY
SHOWN = 50_000 + 500 * ((END - MAY) // STEP)  # Wh that the meter of q02 shows then
OUT = END + 1000
ENTRY = ExchangeEntry("q02", OUT, OUT, {IMPORT: SHOWN * 1000}, {IMPORT: 12_500_500}, "B-2", "Ada", "", {})


@pytest.fixture
def plant(tmp_path: Path) -> tuple[Path, Site, Path]:
    """Folder of the plan, plan and store."""
    made, path = filled(tmp_path)
    return made, load_plan(made).site, path


def test_a_sound_exchange_has_both_rows_and_nothing_against_it(plant: tuple[Path, Site, Path]) -> None:
    _, site, path = plant
    record = record_of(path, site, replace(ENTRY, new={"meter_class": "C"}), {})
    assert (record.inconsistencies, record.faulty, record.no_estimate) == ((), (), False)
    assert record.gap_mwh == {}, "nothing is estimated where somebody says what flowed"
    assert record.old["serial"] == "A-18"
    assert record.old["until"] == "2026-05-06T00:00:01+02:00"
    assert record.old["closing_wh"] == str(SHOWN)
    assert (record.new["serial"], record.new["meter_class"], record.new["opening_wh"]) == ("B-2", "C", "12500.5")
    assert set(record.new) | set(record.old) <= set(record.columns)


def test_what_speaks_against_it_is_said(plant: tuple[Path, Site, Path]) -> None:
    _, site, path = plant
    slip = replace(ENTRY, closing={IMPORT: (SHOWN - 100) * 1000}, opening={IMPORT: 10**13})
    kinds = {item.kind for item in record_of(path, site, slip, {}).inconsistencies}
    assert kinds == {"closing-below", "opening-too-large"}
    faulty = record_of(path, site, replace(ENTRY, new={"meter_class": "very good", "ct_ratio": "5"}), {})
    assert faulty.faulty == ("ct_ratio", "meter_class")
    assert faulty.command == "", "no command for what the plan would refuse"


def test_an_unknown_gap_is_estimated_or_said_to_be_unknown(plant: tuple[Path, Site, Path]) -> None:
    """Forty minutes of 500 Wh every five; a register that was never read has no usual energy."""
    _, site, path = plant
    later = replace(ENTRY, out_ms=END - 80 * MINUTE, in_ms=END - 40 * MINUTE)
    record = record_of(path, site, later, None)
    assert record.gap_mwh == {IMPORT: 8 * 500_000}
    assert "--gap=estimate" in record.command
    unknown = record_of(path, site, replace(later, closing={**later.closing, EXPORT: 0}), None)
    assert unknown.no_estimate
    assert unknown.command == ""


def test_the_command_that_is_shown_enters_just_that(
    plant: tuple[Path, Site, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    """Words with quotes and spaces survive the shell; the plan then has the row that was shown."""
    made, site, path = plant
    entry = replace(ENTRY, serial="B 2'x", person="Ada & Bo", note='display "dark"; $HOME', new={"meter_class": "C"})
    record = record_of(path, site, entry, {})
    parts = shlex.split(record.command)
    assert parts[:3] == ["meterd", "exchange", "PLAN"]
    assert main([parts[1], str(made), *parts[3:]]) == 0, capsys.readouterr()
    meter = fitted_meter(load_plan(made).site, "q02")
    assert meter is not None
    assert (meter.serial, meter.from_ms) == ("B 2'x", OUT)
    assert meter.cells["note"] == entry.note
    assert meter.cells["opening_wh"] == "12500.5"
    assert meter.cells["meter_class"] == "C"


def test_times_and_gap_of_a_later_fitting_are_in_the_command_and_large_numbers_have_no_exponent(
    plant: tuple[Path, Site, Path],
) -> None:
    _, site, _ = plant
    entry = replace(ENTRY, in_ms=OUT + 40 * MINUTE, closing={IMPORT: 10**12, EXPORT: 1})
    command = command_of(site, entry, {IMPORT: 4_000_000})
    assert "--fitted=2026-05-06T00:40:01+02:00 --gap=import=4000 " in command
    assert "--closing='import=1000000000 export=0.001'" in command
    assert "--note" not in command
    assert "--gap" not in command_of(site, ENTRY, {})


def test_a_point_without_a_meter_that_is_there_has_none(plant: tuple[Path, Site, Path]) -> None:
    _, site, _ = plant
    assert fitted_meter(site, "q09") is None
    assert fitted_meter(replace(site, instruments=()), "q02") is None
