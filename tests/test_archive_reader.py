"""An archive can be read without meterd: a program of at most 100 lines finds its totals, and every byte that changed."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months
from meterd.core.model.periods import Period
from meterd.core.registers.register_line import Ints
from tests.app.operations.archived_site import NAMES, NOW, place, site_with_months
from tests.faults.mill import MAY, QUARTER

READER = Path(__file__).with_name("archive_reader.py")
JULY = 1_782_856_800_000  # 2026-07-01 in Vienna


def read(folder: Path) -> dict[str, Any]:
    """What the reader says, as a program of its own."""
    command = [sys.executable, "-I", str(READER), str(folder / "archive"), "mill"]
    result: dict[str, Any] = json.loads(subprocess.run(command, check=True, capture_output=True, timeout=120).stdout)
    return result


def test_a_reader_of_a_hundred_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """To the milliwatt-hour as the store has them; a flipped bit and a lost file are named."""
    lines = READER.read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 100
    assert not any(line.startswith(("import meterd", "from meterd", "from tests")) for line in lines)
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    plan, path = site_with_months(tmp_path)
    months = archive_months(plan, path, place(tmp_path), NOW)
    result = read(tmp_path)
    assert (result["months"], result["faults"]) == (NAMES, [])
    store = SqliteStore.reader(path)
    grid: Ints = np.arange(MAY - 4 * 86_400_000, JULY, QUARTER, dtype=np.int64)
    channels = [channel for channel in store.channels() if channel[1] in ("1.8.0", "2.8.0")]
    columns = store.columns(channels, Period.INTERVAL, grid)
    store.close()
    expected = {" ".join(c): int(columns.energy[:, j].sum()) for j, c in enumerate(channels)}
    assert result["totals_mwh"] == expected
    file = tmp_path / "archive" / months[0].files["readings"].path
    data = bytearray(file.read_bytes())
    data[100] ^= 1
    file.write_bytes(data)
    lost = months[1].files["balance"].path
    (tmp_path / "archive" / lost).unlink()
    assert read(tmp_path)["faults"] == [months[0].files["readings"].path, lost]
