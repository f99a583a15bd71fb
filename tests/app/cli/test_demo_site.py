"""The demo in a pipe, and how long it runs."""

import threading
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli import demo_site
from meterd.app.cli.output import duration_s
from meterd.core.model.periods import Period
from tests.app.commands import run


@pytest.mark.parametrize(("text", "seconds"), [("90", 90), ("60s", 60), ("5m", 300), ("1h", 3600), (None, None)])
def test_duration(text: str | None, seconds: float | None) -> None:
    """Seconds, minutes and hours."""
    assert duration_s(text) == seconds


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (("--fault", "silent:nowhere"), "needs a point"),
        (("--fault", "silent:lifts-north@-9d"), "--days"),
        (("--fault", "gone:lifts-north"), "unknown fault"),
        (("--days", "801"), "write 0 to 800"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_starts(
    texts: tuple[str, ...], expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found by hand: it said that it starts, and then that it cannot."""
    code, out, err = run(capsys, "demo", *texts)
    assert (code, out) == (2, "")
    assert expected in err


@pytest.mark.slow
def test_demo_runs_in_a_pipe_and_ends(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The demo prints how to subscribe, a line with both boards and the surplus, and ends by itself.

    Found by hand: with a reading a quarter hour, as in long histories, every interval was an estimate, and nothing drifted.
    """
    assert threading.current_thread() is threading.main_thread()
    monkeypatch.setattr(demo_site, "COARSE_DAYS", 1)
    code, out, _ = run(capsys, "demo", "--for", "20s", "--days", "3", "--store", str(tmp_path / "mill.sqlite"))
    assert code == 0
    with closing(SqliteStore.reader(tmp_path / "mill.sqlite")) as store:
        numbers = [store.channel_number(channel) for channel in store.channels()]
        flags = [row[3] for number in numbers for row in store.figures.rows(number, Period.INTERVAL, 0, 2**62)]
    count, good = len(flags), flags.count(0)
    assert good > 0.9 * count > 10_000
    assert "mosquitto_sub" in out
    assert "north" in out
    assert "surplus" in out
