"""Plain tables are read the fast way, whatever stands beside them; pandas is loaded for other shapes only."""

import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.operations.history_files import Shape, choose_source, column_map, opened_history, why_nothing
from meterd.core.errors import ConfigError
from tests.app.boat_yard import write_plan

PLAIN = "time,crane 1.8.0\n2025-01-01T00:00:00Z,1\n2025-01-01T01:00:00Z,2\n"
OTHER = "Zeit;Bootskran kWh\n01.01.2025 03:00;3,5\n01.01.2025 04:00;4,5\n"


def test_plain_and_other_files_are_one_history(tmp_path: Path) -> None:
    site = load_plan(write_plan(tmp_path / "yard")).site
    for name, text in (("a.csv", PLAIN), ("b.csv", OTHER)):
        (tmp_path / name).write_text(text)
    with opened_history(site, [tmp_path / "a.csv", tmp_path / "b.csv"], "old", None, Shape()) as history:
        times, values, refused = history.column("crane", "1.8.0")
        assert values.tolist() == [10**6, 2 * 10**6, 35 * 10**5, 45 * 10**5]
        assert (len(times), refused.count, len(history.mappings)) == (4, 0, 1)
    (tmp_path / "c.csv").write_text("time,point,register,value\n2025-01-01T00:00:00Z,derrick,import,1\n")
    with opened_history(site, [tmp_path / "c.csv"], "old", None, Shape()) as history:
        assert "the plan has no derrick; write former names into aliases" in why_nothing(history, [])


@pytest.mark.parametrize(("name", "loaded"), [("a.parquet", False), ("a.csv", True)])
def test_pandas_is_loaded_for_other_shapes_only(tmp_path: Path, name: str, loaded: bool) -> None:
    """A plain Parquet file is read as fast as before: pandas takes half a second and 80 MB."""
    stamps = pa.array([1_735_689_600_000, 1_735_693_200_000]).cast(pa.timestamp("ms", tz="UTC"))
    pq.write_table(pa.table({"time": stamps, "crane 1.8.0": pa.array([1, 2])}), tmp_path / "a.parquet")
    (tmp_path / "a.csv").write_text(OTHER)
    command = ["replay", str(write_plan(tmp_path / "yard")), str(tmp_path / name), "--out", str(tmp_path / "o")]
    program = f"import sys; from meterd.app.cli.main import main; code = main({command!r}); "
    program += "sys.exit(code or 7 * ('pandas' in sys.modules))"
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=120).returncode == 7 * loaded


def test_the_daemon_does_not_load_pandas() -> None:
    program = "import sys, meterd.app.daemon.daemon, meterd.app.cli.run; sys.exit('pandas' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False, timeout=120).returncode == 0


def test_sources_and_columns_of_the_command_line(tmp_path: Path) -> None:
    site = load_plan(write_plan(tmp_path / "yard")).site
    assert (choose_source(site, None), column_map([])) == ("old", None)
    assert column_map(["Kran=crane:import"]) == {"Kran": ("crane", "1.8.0")}
    with pytest.raises(ConfigError, match="the plan has no source new; it has old"):
        choose_source(site, "new")
    with pytest.raises(ConfigError, match="write COLUMN=POINT:REGISTER"):
        column_map(["Kran=crane"])
