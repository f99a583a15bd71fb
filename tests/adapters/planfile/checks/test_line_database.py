"""A database in the plan is whole, or every fault of it is named."""

from dataclasses import fields
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.plan import LineStore
from tests.app.two_meters import PLAN


def plan_with(folder: Path, lines: str) -> Path:
    """The plan of two meters with a table [line_store]."""
    path = folder / "mill.toml"
    path.write_text(f"{PLAN}\n[line_store]\n{lines}\n", encoding="utf-8")
    return path


def test_the_table_is_taken_over_and_files_are_found_beside_the_plan(tmp_path: Path) -> None:
    """Every setting of the dataclass is a key; nothing is fed without the table."""
    plan = load_plan(
        plan_with(
            tmp_path,
            'url = "https://db.mill.example:8086"\norg = "mill"\nbucket = "energy"\ntoken_file = "token"\n'
            'ca_file = "ca.pem"\nbatch = 1000\nrate = 500\ntimeout_s = 5\ncheck_s = 60\nread_back = "off"',
        )
    )
    assert plan.site.line_store == LineStore(
        "https://db.mill.example:8086", "mill", "energy", "", str(tmp_path / "token"), str(tmp_path / "ca.pem"), 1000, 500,
        5, 60, "off",
    )  # fmt: skip
    assert plan.warnings == ()
    (tmp_path / "mill.toml").write_text(PLAN, encoding="utf-8")
    assert load_plan(tmp_path / "mill.toml").site.line_store == LineStore()


@pytest.mark.parametrize(
    ("lines", "text"),
    [
        ('url = "http://db:8086"', "bucket is missing"),
        ('bucket = "b"', "url is missing"),
        ('url = "db:8086"\nbucket = "b"', "not a web address"),
        ('url = "http://me:pass@db:8086"\nbucket = "b"', "not a web address"),
        ('url = "http://db"\nbucket = "b"\nbatch = 5001', "too many"),
        ('url = "http://db"\nbucket = "b"\nbatch = 0', "batch"),
        ('url = "http://db"\nbucket = "b"\ntoken_env = "A"\ntoken_file = "f"', "two places"),
        ('url = "http://db"\nbucket = "b"\nca_file = "f"', "https"),
        ('url = "http://db"\nbucket = "b"\nread_back = "on"', "read_back"),
        ('url = "http://db"\nbucket = "b"\ntoken = "secret"', "token in the plan"),
        ('url = "http://db"\nbucket = "b"\nspeed = 5', "unknown key"),
    ],
)
def test_every_fault_is_named(tmp_path: Path, lines: str, text: str) -> None:
    """With its line, and what would be right."""
    with pytest.raises(PlanError) as caught:
        load_plan(plan_with(tmp_path, lines))
    assert text in " ".join(f"{fault.what} {fault.right}" for fault in caught.value.faults)


def test_a_token_on_an_open_line_is_warned_of(tmp_path: Path) -> None:
    """On this machine it may be right, elsewhere it is not."""
    plan = load_plan(plan_with(tmp_path, 'url = "http://db:8086"\nbucket = "b"\ntoken_env = "T"'))
    assert [w.what for w in plan.warnings] == ["the token goes over an open line"]


def test_every_default_has_its_reason() -> None:
    """Numbers of the settings are whole and above zero."""
    assert all(f.default > 0 for f in fields(LineStore) if isinstance(f.default, int))
