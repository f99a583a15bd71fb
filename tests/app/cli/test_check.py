"""The check shows a plan on one screen, and faults one to a line."""

import io
from datetime import date
from pathlib import Path

import pytest
from rich.console import Console

from meterd.adapters.planfile.loader import Fault, load_plan
from meterd.app.cli.check import holidays_end, render_faults, summary
from meterd.app.cli.main import main
from tests.plans import FILES, edited, write

EXAMPLES = Path(__file__).parents[3] / "config"


def printed(folder: Path, width: int = 80, **terminal: bool) -> str:
    out = io.StringIO()
    Console(file=out, width=width, **terminal).print(summary(load_plan(folder), 412))
    return out.getvalue()


def test_harrow_mill_fits_on_one_screen_of_eighty_columns() -> None:
    text = printed(EXAMPLES / "harrow-mill")
    lines = text.splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 80
    for part in (
        "Harrow Mill",
        "north  630 kVA",
        "11 of 12",
        "studio, 24 copies (25 to 48)",
        "412 below energy/harrow-mill/",
    ):
        assert part in text
    assert "studio-07-heater: max_w 3000 instead of 1500" in text


def test_a_pipe_gets_no_colours_and_a_terminal_does(tmp_path: Path) -> None:
    write(tmp_path, FILES)
    assert "\x1b" not in printed(tmp_path)
    assert "\x1b" in printed(tmp_path, force_terminal=True)


def test_warnings_are_shown_with_their_place_and_titles_are_no_markup(tmp_path: Path) -> None:
    files = edited("site.toml", 'name = "mill"', 'name = "mill"\ntitle = "Mill [red]7[/red]"')
    files["points.csv"] = FILES["points.csv"].replace("t2,south,feed", "t2,south,backup")
    text = printed(write(tmp_path, files), width=200)
    assert "Mill [red]7[/red]" in text
    assert "site.toml:10:1: board south has no feed; write a point with role feed on it" in text


def test_many_differences_are_cut_and_counted(tmp_path: Path) -> None:
    overrides = "".join(f'[repeat.override.{number:02d}]\ntitle = "Other {number}"\n' for number in range(3, 23))
    files = {**FILES, "site.toml": FILES["site.toml"].replace("01-03", "01-30") + overrides}
    assert "and 9 more differences" in printed(write(tmp_path, files))


def test_faults_are_one_to_a_line_and_leave_out_what_is_not_known() -> None:
    faults = (Fault("points.csv", 3, 5, "wrong", "right"), Fault("site.toml", None, None, "gone", "write it"))
    assert render_faults(faults) == "points.csv:3:5: wrong; right\nsite.toml: gone; write it"


def test_holidays_that_end_within_three_months_are_warned_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the command, which knows the date: a list of long ago is told, one of the next year is not."""
    soon = edited("site.toml", 'name = "mill"', 'name = "mill"\nholidays = ["2020-05-01", "2020-12-25"]')
    assert main(["check", str(write(tmp_path / "soon", soon))]) == 0
    reported = " ".join(capsys.readouterr().out.split())
    assert (
        "site.toml: the last of holidays is 2020-12-25, later ones count as ordinary days; write those of the next"
        in reported
    )
    later = edited("site.toml", 'name = "mill"', 'name = "mill"\nholidays = ["2020-05-01", "2099-12-25"]')
    assert main(["check", str(write(tmp_path / "later", later))]) == 0
    assert "holidays" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("today", "reported"), [(date(2026, 9, 24), False), (date(2026, 9, 25), True), (date(2027, 1, 1), True)]
)
def test_three_months_before_the_last_one(tmp_path: Path, today: date, reported: bool) -> None:
    """92 days before it; a plan without holidays has none that end."""
    plan = edited("site.toml", 'name = "mill"', 'name = "mill"\nholidays = ["2026-12-25"]')
    assert bool(holidays_end(load_plan(write(tmp_path, plan)).site, today)) is reported
    assert holidays_end(load_plan(write(tmp_path, FILES)).site, today) == ""
