"""Every fault case has its row in README.md, every test named there exists, and at least one carries the case in its name.

A row without a test is open. One whose tests start no daemon says which part of it they try.
"""

import ast
from pathlib import Path

import pytest

from tests.faults.daemons import starts_daemon
from tests.faults.table import (
    CASES,
    DOCUMENT,
    OPEN,
    ROOT,
    Row,
    completed,
    functions,
    head_of,
    kinds,
    main,
    missing,
    named,
    named_after,
    result_of,
    rows,
    there,
    units,
)

TESTED = [row for row in rows() if row.tests]


def each(row: Row) -> list[tuple[Path, str]]:
    """Tests of a row by file and name; a file stands for the tests in it."""
    results = []
    for test in row.tests:
        path, _, name = test.partition("::")
        results += [(ROOT / path, item) for item in ([name] if name else sorted(functions(ROOT / path)))]
    return results


def carried(row: Row) -> list[str]:
    """Tests of a row that are named by its case."""
    return [name for _, name in each(row) if row.case in named_after(name)]


def test_all_117_cases_have_one_row_in_their_order() -> None:
    assert len(CASES) == 117
    assert tuple(row.case for row in rows()) == CASES


def test_a_case_is_open_if_and_only_if_it_has_no_test() -> None:
    assert [row.case for row in rows() if bool(row.tests) == (row.result == OPEN)] == []


def test_the_head_of_the_table_counts_what_is_below_it() -> None:
    assert head_of(rows()) in DOCUMENT.read_text(encoding="utf-8").splitlines()
    passes, row, missing_one = (
        Row("A1", "x", ("a",), "passes"),
        Row("A2", "x", ("a",), "passes; but"),
        Row("A3", "x", (), OPEN),
    )
    assert head_of([passes, row, missing_one]) == "3 cases; 2 with a test (1 of them with a remark)."


def test_a_case_is_shown_by_a_daemon_or_says_by_which_part_of_it() -> None:
    """The mark is for those only that no daemon shows, and the document says of every part why it is enough."""
    daemons = {row.case: [name for path, name in each(row) if starts_daemon(path, name)] for row in TESTED}
    assert [row.case for row in TESTED if not daemons[row.case] and not units(row)] == [], "write `unit: ...` there"
    assert {row.case: daemons[row.case] for row in TESTED if daemons[row.case] and units(row)} == {}
    assert {row.case: units(row) - kinds() for row in TESTED if units(row) - kinds()} == {}


def test_every_part_that_is_explained_shows_a_case() -> None:
    assert kinds() == {item for row in rows() for item in units(row)}


def test_a_daemon_is_seen_through_helpers_and_fixtures_and_not_where_it_only_holds_a_snapshot() -> None:
    web, faults = ROOT / "tests" / "adapters" / "web", ROOT / "tests" / "faults"
    assert starts_daemon(faults / "mill.py", "running")
    assert starts_daemon(faults / "mill.py", "Child")
    assert starts_daemon(faults / "test_i_shares.py", "test_i3_on_backup_supply_all_shares_are_zero_at_the_next_sample")
    assert starts_daemon(web / "test_events.py", "test_i17_the_stream_tells_shares_of_rooms_to_whoever_may_see_them")
    assert not starts_daemon(web / "test_connections.py", "test_i16_a_header_that_drips_has_an_end")
    assert not starts_daemon(faults / "test_f_numbers.py", "test_f1_minus_zero_is_zero")


def test_every_test_of_a_case_is_there_and_one_is_named_by_it() -> None:
    assert {row.case: gone for row in TESTED if (gone := [test for test in row.tests if not there(test)])} == {}
    assert {row.case: row.tests for row in TESTED if not carried(row)} == {}


FINDERS = ("meterd.core.checks.", "meterd.core.drift.", "meterd.app.operations.drift_job.")


def test_no_test_of_a_fault_imports_the_function_that_makes_its_finding() -> None:
    """It asks the daemon: functions that found faults in tests had been called by nothing in the product."""
    taken = [
        (path.name, f"{node.module}.{item.name}")
        for path in sorted((ROOT / "tests" / "faults").glob("test_*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module
        for item in node.names
        if f"{node.module}.{item.name}".startswith(FINDERS) and item.name[0].islower()
    ]
    assert taken == []


def test_every_test_that_is_named_by_a_case_stands_in_its_row() -> None:
    """If not: python -m tests.faults.table --write."""
    carrying = named()
    assert {row.case: absent for row in rows() if (absent := missing(row, carrying[row.case]))} == {}


def test_a_row_is_completed_with_its_tests_and_rid_of_those_that_are_no_more() -> None:
    text = "3 cases; 1 with a test (7 of them with a remark).\n| D12 | an \\x | `tests/none.py::test_d12_x` | passes; a \\d |\n"
    done = completed(text, named())
    assert done.startswith("1 cases; 1 with a test (1 of them with a remark).\n| D12 | an \\x | `tests/")
    assert "::test_d12_empty_tag_is_refused`<br>`" in done
    assert "none.py" not in done
    assert done.endswith("| passes; a \\d |\n")


def test_an_open_case_passes_once_it_has_a_test_and_is_open_again_without_one() -> None:
    head = "0 cases; 0 with a test (0 of them with a remark).\n"
    table = f"{head}| D12 | x | - | open |\n| I20 | y | `tests/none.py::test_i20_y` | passes; z |\n"
    first, second, third = completed(table, named() | {"I20": set()}).splitlines()
    assert second.startswith("| D12 | x | `tests/")
    assert second.endswith("` | passes |")
    assert (first, third) == ("2 cases; 1 with a test (0 of them with a remark).", "| I20 | y | - | open |")


def test_a_case_passes_only_if_every_test_of_it_ran_and_passed() -> None:
    row = Row("D2", "x", ("a.py::test_d2_one", "b.py"), "passes; but")
    good = {"a.py::test_d2_one": "passed", "b.py::test_two": "passed"}
    assert result_of(row, good) == "passed (2 tests); but"
    assert result_of(row, good | {"b.py::test_two": "skipped"}) == "NOT PASSED: b.py::test_two skipped"
    assert result_of(row, {"c.py::test_d2": "passed"}) == "NOT PASSED: no test ran"
    assert result_of(Row("D2", "x", (), OPEN), good) == OPEN


def test_what_is_no_case_is_refused_and_help_runs_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    for text, code, output in (
        (["--help"], 0, "usage: python -m tests.faults.table"),
        (["D2", "Q9"], 2, "no case Q9; cases are A1 to I20"),
        (["--write", "D2"], 2, "--write completes the whole table"),
    ):
        with pytest.raises(SystemExit) as ended:
            main(text)
        assert ended.value.code == code
        assert output in "".join(capsys.readouterr())
