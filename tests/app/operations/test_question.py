"""Moments, points and boards as a person writes them."""

from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.operations.question import as_of, moment, some_boards, some_points
from meterd.core.errors import ConfigError
from meterd.core.model.periods import text
from tests.app.commands import CONFIG

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("message", "start"),
    [
        ("2026", "2025-12-31T23:00:00Z"),
        ("2026-07", "2026-06-30T22:00:00Z"),
        ("29.03.2026", "2026-03-28T23:00:00Z"),
        ("2026-03-29T10:00:00+02:00", "2026-03-29T08:00:00Z"),
    ],
)
def test_a_moment_is_the_local_begin_of_what_is_written(message: str, start: str) -> None:
    assert text(moment(message, VIENNA, "--from")) == start


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("1969", "the year is not one of 1970 to 2200"),
        ("2026-02-30", "no such date or time"),
        ("2026-03-29T10:00:00", "the time has no zone"),
    ],
)
def test_a_moment_that_cannot_be_is_refused_with_its_option(message: str, expected: str) -> None:
    with pytest.raises(ConfigError, match=f"cannot read --until '{message}': {expected}"):
        moment(message, VIENNA, "--until")


def test_names_are_those_of_the_plan() -> None:
    """None named: all of them; an unknown one is refused with what comes near."""
    site = load_plan(CONFIG / "small.toml").site
    assert some_boards(site, []) == ["main"]
    assert len(some_points(site, [])) == 8
    assert some_points(site, ["roof"]) == ["roof"]
    with pytest.raises(ConfigError, match=r"the plan has no point rof; did you mean roof\?"):
        some_points(site, ["rof"])
    with pytest.raises(ConfigError, match="the plan has no board side; it has main"):
        some_boards(site, ["side"])
    assert as_of(None, site) is None
    assert as_of("1970", site) == -3_600_000
