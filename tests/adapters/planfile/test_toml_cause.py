"""What people really write into a TOML file is one fault with its cause and the line that would be right."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan

PLAN = """\
[site]
name = "mill"
zone = "Europe/Vienna"

[limits]
stale_after_s = 900

[[board]]
name = "main"

[[point]]
point = "t1"
role = "feed"
"""


def faults(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "mill.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    return [str(fault) for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("right", "written", "expected"),
    [
        (
            '"Europe/Vienna"',
            "Europe/Vienna",
            'mill.toml:3:8: the text behind zone is not in quotes; write zone = "Europe/Vienna"',
        ),
        (
            '"Europe/Vienna"',
            "\u201eEurope/Vienna\u201c",
            'the quotes around the text behind zone are not straight ones; write zone = "Europe/',
        ),
        (
            '"Europe/Vienna"',
            '"Europe/Vienna',
            'a quotation mark of the text behind zone is missing; write zone = "Europe/Vienna"',
        ),
        ('"Europe/Vienna"', "", "there is no value behind zone =; write one, or remove the line"),
        ('zone = "', 'zone "', 'the sign = is missing behind zone; write zone = "Europe/Vienna"'),
        (
            'zone = "Europe/Vienna"',
            'zone = "Europe/Vienna"\nzone = "UTC"',
            "zone is written twice; keep one of the two lines",
        ),
        ("[limits]", "[site]", "the table [site] is written twice; write the keys of both below the first one"),
        ("= 900", "= 0,5", "a decimal comma; write stale_after_s = 0.5"),
        (
            "= 900",
            "= 15 min",
            "a unit behind the number of stale_after_s; write stale_after_s = 15; the unit is that of the key",
        ),
        ("= 900", "= True", "True is neither true nor false; write stale_after_s = true"),
        (
            "= 900",
            "= [1, 2",
            "mill.toml:6:1: the list or table behind stale_after_s is not closed; write the closing bracket at its end",
        ),
        ("= 900", '= "15 min"', "stale_after_s: '15 min' is not a number; write 15, without quotes and unit"),
        ("= 900", "= -5", "stale_after_s: -5 s is less than 1 s; write 1 or more"),
        ("[limits]", "[limits", "this line is no table and no key; write [table] or [[table]], or key = value"),
    ],
)
def test_one_cause_is_one_fault(tmp_path: Path, right: str, written: str, expected: str) -> None:
    assert right in PLAN
    (results,) = faults(tmp_path, PLAN.replace(right, written, 1))
    assert any(part in results for part in expected.split("|")), results
