"""A TOML file with broken lines: each is reported, and nothing else of it."""

from pathlib import Path

from tests.plan_faults import faults_of
from tests.plans import FILES, SITE, write


def test_two_broken_lines_of_one_toml_file_are_both_reported(tmp_path: Path) -> None:
    broken = SITE.replace('name = "north"', "name = north").replace('"01-03"', "01-03")
    faults = faults_of(write(tmp_path, {**FILES, "site.toml": broken}))
    assert [(fault.file, fault.line) for fault in faults if " behind " in fault.what] == [
        ("site.toml", 6),
        ("site.toml", 13),
    ]


def test_a_broken_table_header_does_not_make_the_keys_below_it_wrong(tmp_path: Path) -> None:
    faults = faults_of(write(tmp_path, {**FILES, "site.toml": SITE.replace("[site]", "[site")}))
    assert [(fault.file, fault.line) for fault in faults] == [("site.toml", 1)]
