"""The demo in a pipe, and how long it runs."""

import threading

import pytest

from meterd.app.cli.output import duration_s
from tests.app.commands import run


@pytest.mark.parametrize(("words", "seconds"), [("90", 90), ("60s", 60), ("5m", 300), ("1h", 3600), (None, None)])
def test_duration(words: str | None, seconds: float | None) -> None:
    """Seconds, minutes and hours."""
    assert duration_s(words) == seconds


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--fault", "silent:nowhere"), "needs a point"),
        (("--fault", "silent:lifts-north@-9d"), "--days"),
        (("--fault", "gone:lifts-north"), "unknown fault"),
        (("--days", "801"), "write 0 to 800"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_starts(
    words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Found by hand: it said that it starts, and then that it cannot."""
    code, out, err = run(capsys, "demo", *words)
    assert (code, out) == (2, "")
    assert said in err


@pytest.mark.slow
def test_demo_runs_in_a_pipe_and_ends(capsys: pytest.CaptureFixture[str]) -> None:
    """The demo prints how to subscribe, a line with both boards and the surplus, and ends by itself."""
    assert threading.current_thread() is threading.main_thread()
    code, out, _ = run(capsys, "demo", "--for", "30s")
    assert code == 0
    assert "mosquitto_sub" in out
    assert "north" in out
    assert "surplus" in out
