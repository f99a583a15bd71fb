"""Documents by the command line: the figures are those of another way of adding up, and the same inputs give the same bytes."""

import time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.ledger import Ledger
from tests.adapters.documents.month import folder
from tests.adapters.documents.written_files import HOUR, made

END = 1_775_170_800_000  # 2026-04-02 23:00 UTC, the hour after the last reading


@pytest.fixture(scope="module")
def hof(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan of the small site with its store."""
    return folder(tmp_path_factory.mktemp("hof"))


def test_same_store_same_bytes_at_another_time_and_after_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A year later, and after the store was opened and closed for writing again, the month's documents are the same."""
    hof = folder(tmp_path)
    both = ("--pdf", tmp_path / "r.pdf", "--xlsx", tmp_path / "r.xlsx")
    made(tmp_path, "report", hof, "--month", "2026-03", *both)
    first = [(tmp_path / name).read_bytes() for name in ("r.pdf", "r.xlsx")]
    later = time.time() + 400 * 86_400
    monkeypatch.setattr(time, "time", lambda: later)  # the clock of the libraries that write the files
    site = load_plan(hof).site
    store = SqliteStore.writer(tmp_path / "hof.sqlite")
    Ledger(store, site, ZoneInfo(site.zone)).tick([], END + 3 * 24 * HOUR)
    store.close()
    made(tmp_path, "report", hof, "--month", "2026-03", *both)
    assert [(tmp_path / name).read_bytes() for name in ("r.pdf", "r.xlsx")] == first


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("report", "--month", "2026-03"), 2, "give a file for the document: --pdf FILE or --xlsx FILE"),
        (("report", "--month", "2026-12", "--pdf", "unwritten.pdf"), 2, "has no figures of 2026-12"),
        (("report", "--month", "2026-13", "--pdf", "unwritten.pdf"), 2, "cannot read --month '2026-13'"),
        (("report", "--year", "2026-03", "--pdf", "unwritten.pdf"), 2, "cannot read --year '2026-03'; write 2026"),
        (("report", "--month", "2026-03", "--pdf", "/no/such/folder/x.pdf"), 1, "cannot write /no/such/folder/x.pdf"),
        (("acceptance", "--point", "nobody", "--pdf", "unwritten.pdf"), 2, "the plan has no point nobody"),
        (("labels",), 2, "give a file for the document: --pdf FILE"),
    ],
)
def test_what_cannot_be_done_says_why(
    hof: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], code: int, says: str
) -> None:
    """One line, and the exit code of the command line."""
    command, *rest = arguments
    assert main([command, str(hof), *rest]) == code
    assert says in capsys.readouterr().err
