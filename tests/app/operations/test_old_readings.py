"""Files of other shapes become parts of a history; how they are understood, and what is left out, is said in words."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.sources.files.history import empty_history
from meterd.adapters.sources.old_readings.mapping import FileMapping
from meterd.app.operations.old_readings import add_files, opened, stated_mapping, understood
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import Site
from tests.app.boat_yard import write_plan


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return load_plan(write_plan(tmp_path / "yard")).site


def test_a_file_is_added_with_what_is_left_out(site: Site, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Zeit\tLuftdruck\tSteg A kWh\n01.01.2025 00:00\t990\t1,5\n01.01.2025 01:00\t991\tx\n")
    with empty_history(site, "old") as history:
        add_files(history, site, [path], columns=None, mapping=None, settings=[])
        _, values, refused = history.column("pontoon-a", "1.8.0")
        assert (values.tolist(), refused.count, [cell.row for cell in refused.cells]) == ([1_500_000], 1, [3])
        assert history.mappings == [
            "a.csv: utf-8, separator tab, decimal ,, dates day-month-year, registers, 1 columns for 1 points",
            "  left out: 'Luftdruck': no name of the plan is in its title",
        ]


def test_a_file_without_a_known_column_is_refused(site: Site, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Zeit;Luftdruck\n01.01.2025 00:00;990\n01.01.2025 01:00;991\n")
    with empty_history(site, "old") as history, pytest.raises(SourceError, match="no column is recognised"):
        add_files(history, site, [path], columns=None, mapping=None, settings=[])
    file = opened(site, path, FileMapping(), {"Luftdruck": ("air", "1.8.0")})[0]
    assert "1 columns for 1 points" in understood(file)


def test_a_mapping_file_that_is_no_text_is_refused(site: Site, tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="it is no UTF-8 text"):
        stated_mapping(site, tmp_path / "m.toml", [])
