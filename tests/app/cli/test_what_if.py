"""`meterd what-if` by the command line: what it shows and refuses. Its figures: tests/app/operations/test_energy_cost.py."""

from pathlib import Path

import pytest

from tests.app.cli.test_figures import store
from tests.app.commands import CONFIG, run

__all__ = ["store"]
PLAN = str(CONFIG / "small.toml")


def test_it_is_shown_as_an_estimate_with_its_assumptions(capsys: pytest.CaptureFixture[str], store: Path) -> None:
    """Two days of 1 kWh a quarter hour: 4 kW, above a contract of 3 kW all the time."""
    code, out, err = run(capsys, "what-if", PLAN, "--store", str(store), "--contract", "3")
    assert (code, err) == (0, "")
    assert "Estimate for 2026" in out
    above = next(line for line in out.splitlines() if line.startswith("Intervals above the contract"))
    assert "196" in above or "197" in above
    assert "- It rests on " in out


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ((), "nothing is to be different"),
        (("--tariff", "/nowhere.toml"), "there is no such file"),
        (("--battery", "40", "--year", "1999"), "no interval of 1999"),
    ],
)
def test_what_cannot_be_asked_is_refused(
    capsys: pytest.CaptureFixture[str], store: Path, options: tuple[str, ...], text: str
) -> None:
    """With words and exit code 2 or 1."""
    code, _, err = run(capsys, "what-if", PLAN, "--store", str(store), *options)
    assert code in (1, 2)
    assert text in err


def test_a_size_is_a_number(capsys: pytest.CaptureFixture[str]) -> None:
    """Refused by the command line itself, with the option."""
    with pytest.raises(SystemExit):
        run(capsys, "what-if", PLAN, "--pv", "much")
    assert "--pv: 'much' is no number" in capsys.readouterr().err


def test_a_tariff_file_is_checked_like_the_plan(
    capsys: pytest.CaptureFixture[str], store: Path, tmp_path: Path
) -> None:
    """Every fault with its place; a file without a tariff is one."""
    path = tmp_path / "other.toml"
    for text, message in (
        ('[[tariff]]\nname = "day"\nkind = "import"\n', "other.toml:1:1: price is missing"),
        ("[site]\n", "unknown table or key 'site'"),
        ("", "the file has no [[tariff]]"),
    ):
        path.write_text(text)
        code, _, err = run(capsys, "what-if", PLAN, "--store", str(store), "--tariff", str(path))
        assert code == 2
        assert message in err, err
