"""Every fault case has its row in DEVELOPERS.md, every test named there exists, and at least one carries the case in its name."""

import pytest

from tests.faults.table import (
    CASES,
    DOCUMENT,
    HEAD,
    ROOT,
    Row,
    completed,
    functions,
    missing,
    named,
    named_after,
    result_of,
    rows,
    there,
)


def carried(row: Row) -> list[str]:
    """Tests of a row that are named by its case; a file stands for the tests in it."""
    found = []
    for test in row.tests:
        path, _, name = test.partition("::")
        names = [name] if name else sorted(functions(ROOT / path))
        found += [one for one in names if row.case in named_after(one)]
    return found


def test_all_97_cases_have_one_row_in_their_order() -> None:
    assert len(CASES) == 97
    assert tuple(row.case for row in rows()) == CASES


def test_the_head_of_the_table_counts_what_is_below_it() -> None:
    counts = HEAD.search(DOCUMENT.read_text(encoding="utf-8"))
    assert counts is not None
    remarked = [row for row in rows() if row.result != "passes"]
    assert tuple(map(int, counts.groups())) == (len(rows()), sum(bool(row.tests) for row in rows()), len(remarked))


@pytest.mark.parametrize("row", rows(), ids=lambda row: row.case)
def test_every_test_of_a_case_is_there_and_one_is_named_by_it(row: Row) -> None:
    assert [test for test in row.tests if not there(test)] == []
    assert carried(row), f"no test of {row.case} carries it in its name: {row.tests}"


def test_every_test_that_is_named_by_a_case_stands_in_its_row() -> None:
    """If not: python -m tests.faults.table --write."""
    carrying = named()
    assert {row.case: absent for row in rows() if (absent := missing(row, carrying[row.case]))} == {}


def test_a_row_is_completed_with_its_tests_and_rid_of_those_that_are_no_more() -> None:
    text = "3 cases; 1 with a test (7 of them with a remark).\n| D12 | an \\x | `tests/none.py::test_d12_x` | passes; a \\d |\n"
    done = completed(text)
    assert done.startswith("1 cases; 1 with a test (1 of them with a remark).\n| D12 | an \\x | `tests/faults/")
    assert "tests/store/test_lines.py::test_d12_empty_tag_is_refused`<br>`" in done
    assert "none.py" not in done
    assert done.endswith("| passes; a \\d |\n")


def test_a_case_passes_only_if_every_test_of_it_ran_and_passed() -> None:
    row = Row("D2", "x", ("a.py::test_d2_one", "b.py"), "passes; but")
    good = {"a.py::test_d2_one": "passed", "b.py::test_two": "passed"}
    assert result_of(row, good) == "passed (2 tests); but"
    assert result_of(row, good | {"b.py::test_two": "skipped"}) == "NOT PASSED: b.py::test_two skipped"
    assert result_of(row, {"c.py::test_d2": "passed"}) == "NOT PASSED: no test ran"
