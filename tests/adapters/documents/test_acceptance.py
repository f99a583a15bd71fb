"""Acceptance forms of a point and of a board, with readings and without."""

from pathlib import Path

from meterd.adapters.documents.acceptance import AcceptanceData, NewestReading, PlanRevision, point_document
from meterd.adapters.documents.model import Facts, Table
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import POWER, Reading
from tests.adapters.documents.written_files import made, text
from tests.core.registers.test_ct_factor import CHANGE, site


def test_acceptance_of_a_point_and_of_a_board(hof: Path, tmp_path: Path) -> None:
    """Plate data, ratio, the newest reading with its time, the checks, the lines to sign on."""
    point = text(made(tmp_path, "acceptance", hof, "--point", "t1", "--lang", "de", "--pdf", tmp_path / "a.pdf"))
    for message in (
        "S-1",
        "150/5 A",
        "0.5S / 0.5",
        "positiv in die Verteilung",
        "03.04.2026 00:00",
        "Bezug (1.8.0)",
        "Abgenommen von",
        "EN 50110",
    ):
        assert message in point
    board = text(made(tmp_path, "acceptance", hof, "--board", "main", "--pdf", tmp_path / "a.pdf"))
    for message in ("inside the band", "2026-04-02", "later", "Accepted with remarks"):
        assert message in board


def test_acceptance_without_a_store(hof: Path, tmp_path: Path) -> None:
    """Before anything was read the form says that there is no reading; without transformers nobody checks them."""
    result = text(
        made(
            tmp_path,
            "acceptance",
            hof,
            "--point",
            "bakery",
            "--store",
            tmp_path / "none.sqlite",
            "--pdf",
            tmp_path / "a.pdf",
        )
    )
    assert "no reading" in result
    assert "Short-circuit links" not in result


def test_a_power_of_the_secondary_side_is_shown_as_that_of_the_circuit(tmp_path: Path) -> None:
    """-40 W at 1000/5 are 8 kW out of the board; the reading itself stays as the display shows it."""
    site(tmp_path)  # writes mill.toml
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.add_readings([Reading("t1", POWER, CHANGE + 1000, -40.0, CHANGE + 1000)])
    store.close()
    options = ("--point", "t1", "--store", path, "--pdf", tmp_path / "a.pdf")
    written = text(made(tmp_path, "acceptance", tmp_path / "mill.toml", *options))
    assert "8.0 kW" in written
    assert "40.00 W" in written


def test_a_point_below_a_feeder_names_it_and_the_sign_stands_among_the_readings() -> None:
    """Found on paper: the bare name of the feeder, and the sign of the power alone at the top of the next page."""
    data = AcceptanceData({("room-1", POWER): NewestReading(CHANGE, 500.0)})
    room = Point("room-1", "main", Role.SUB, below="riser")
    plan = Site(
        "mill", "UTC", boards=(Board("main"),), points=(Point("riser", "main", Role.FEEDER, title="Riser east"), room),
        inputs=(Input("room-1", POWER, "b", "m", "/w", "W"),),
    )  # fmt: skip
    blocks = point_document(PlanRevision(plan, "0" * 64, "meterd"), room, data, "en").blocks
    facts = [pair for block in blocks if isinstance(block, Facts) for pair in block.pairs]
    assert ("Below", "riser: Riser east") in facts
    readings = next(block for block in blocks if isinstance(block, Table) and block.name == "Newest readings")
    assert [row[:2] for row in readings.rows[1:]] == [("Sign of the power now", "import (positive), 0.5 kW")]
