"""The fault cases in README.md of this folder: which test injects which, and what came out.

`python -m tests.faults.table` runs every test of the table, prints case -> result and ends with 1 if one did not pass;
`python -m tests.faults.table D2 E5` only those of these cases. With `--write` nothing is run: tests that are named by a case and
missing in its row are added, those that are no more are taken out, and the head of the table counts again. A case without any
test is open, and its row says so.
"""

import argparse
import ast
import re
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCUMENT = ROOT / "tests" / "faults" / "README.md"
GROUPS = {"A": 17, "B": 19, "C": 12, "D": 14, "E": 9, "F": 6, "G": 12, "H": 8, "I": 20}
CASES = tuple(f"{group}{number}" for group, count in GROUPS.items() for number in range(1, count + 1))
OPEN = "open"  # the result of a case that has no test yet
HEAD = re.compile(r"^(\d+) cases; (\d+) with a test \((\d+) of them with a remark\)\.", re.M)
_ROW = re.compile(r"^\| ([A-I]\d+) \| (.+?) \| (`.+?|-) \| (.+?) \|$", re.M)
_UNIT = re.compile(r"\bunit: ([a-z]+(?:, [a-z]+)*)")
_KIND = re.compile(r"^- ([a-z]+): ", re.M)


@dataclass(frozen=True, slots=True)
class Row:
    """One case: what is injected, the tests that do it (files, or file::function), and what is said of the result."""

    case: str
    inject: str
    tests: tuple[str, ...]
    result: str


def rows(text: str | None = None) -> list[Row]:
    """The table as it is written in the document, or in a text."""
    results = _ROW.findall(DOCUMENT.read_text(encoding="utf-8") if text is None else text)
    return [Row(case, what, tuple(re.findall(r"`([^`]+)`", tests)), text) for case, what, tests, text in results]


def remarked(row: Row) -> bool:
    """Whether more is said of a case than that it passes."""
    return bool(row.tests) and row.result != "passes"


def units(row: Row) -> set[str]:
    """The parts of the daemon that show a case without it, as its row says."""
    match = _UNIT.search(row.result)
    return set(match[1].split(", ")) if match else set()


def kinds() -> set[str]:
    """The parts of the daemon of which the document says why they are enough."""
    return set(_KIND.findall(DOCUMENT.read_text(encoding="utf-8")))


@cache
def functions(path: Path) -> frozenset[str]:
    """Names of the tests in a file, which is parsed once."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = (node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))
    return frozenset(name for name in names if name.startswith("test_"))


def named_after(name: str) -> tuple[str, ...]:
    """The cases that a test carries in its name.

    >>> named_after("test_d1_d3_a_server_that_is_away"), named_after("test_a_day_has_24_hours")
    (('D1', 'D3'), ())
    """
    match = re.match(r"test_((?:[a-i]\d+_)+)", name)
    return tuple(part.upper() for part in match[1].split("_") if part) if match else ()


def named() -> dict[str, set[str]]:
    """Every test that carries a case in its name, as `file::function`, by case."""
    results: dict[str, set[str]] = {case: set() for case in CASES}
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        for name in functions(path):
            for case in named_after(name):
                results[case].add(f"{path.relative_to(ROOT)}::{name}")
    return results


def there(test: str) -> bool:
    """Whether a test of the table exists."""
    path, _, name = test.partition("::")
    return (ROOT / path).is_file() and (not name or name in functions(ROOT / path))


def missing(row: Row, carrying: set[str]) -> list[str]:
    """Tests that carry the case of a row in their name and do not stand in it, not even by their file."""
    return sorted(item for item in carrying if item not in row.tests and item.partition("::")[0] not in row.tests)


def completed(text: str, carrying: Mapping[str, set[str]]) -> str:
    """The document with all tests in the rows of their cases; `carrying` as `named` gives it."""
    for row in rows(text):
        tests = [*(test for test in row.tests if there(test)), *missing(row, carrying[row.case])]
        result = OPEN if not tests else "passes" if row.result == OPEN else row.result
        line = f"| {row.case} | {row.inject} | {'<br>'.join(f'`{test}`' for test in tests) or '-'} | {result} |"
        text = re.sub(rf"^\| {row.case} \| .*$", lambda _, line=line: line, text, count=1, flags=re.M)  # type: ignore[misc]
    return HEAD.sub(lambda _: head_of(rows(text)), text, count=1)


def head_of(mine: list[Row]) -> str:
    """The line above the table that counts its rows."""
    tested, remarks = sum(bool(row.tests) for row in mine), sum(map(remarked, mine))
    return f"{len(mine)} cases; {tested} with a test ({remarks} of them with a remark)."


def outcomes(tests: list[str]) -> dict[str, str]:
    """How every test ended, by `file::function`; the worst of its parameters counts."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-n",
            "0",
            f"--junit-xml={report}",
            "-o",
            "junit_family=xunit1",
            *tests,
        ]
        subprocess.run(command, cwd=ROOT, check=False)
        results: dict[str, str] = {}
        for item in ET.parse(report).iter("testcase"):
            name = f"{item.get('file')}::{(item.get('name') or '').partition('[')[0]}"
            ended = next((child.tag for child in item if child.tag in ("failure", "error", "skipped")), "passed")
            if results.get(name, "passed") == "passed":
                results[name] = ended
        return results


def result_of(row: Row, results: dict[str, str]) -> str:
    """In words, how the tests of a case ended. No test run is no pass."""
    if not row.tests:
        return OPEN
    mine = {name: ended for name, ended in results.items() if name in row.tests or name.partition("::")[0] in row.tests}
    bad = [f"{name} {ended}" for name, ended in mine.items() if ended != "passed"]
    if bad or not mine:
        return "NOT PASSED: " + ("; ".join(bad) or "no test ran")
    remark = row.result.partition("; ")[2]
    return f"passed ({len(mine)} tests)" + (f"; {remark}" if remark else "")


def asked(arguments: list[str]) -> argparse.Namespace:
    """What the command line says; a word that is no case ends with those that are."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.table", description="Run the fault cases.")
    parser.add_argument("cases", nargs="*", metavar="CASE", help="such as D2; default: every case of the table")
    parser.add_argument("--write", action="store_true", help="run nothing; complete the table in README.md")
    result = parser.parse_args(arguments)
    if unknown := sorted(set(result.cases) - set(CASES)):
        parser.error(f"no case {', '.join(unknown)}; cases are {CASES[0]} to {CASES[-1]}")
    if result.write and result.cases:
        parser.error("--write completes the whole table; give it alone")
    return result


def main(options: list[str]) -> int:
    """Write, or run and print."""
    arguments = asked(options)
    wanted = arguments.cases
    if arguments.write:
        DOCUMENT.write_text(completed(DOCUMENT.read_text(encoding="utf-8"), named()), encoding="utf-8")
        return 0
    mine = [row for row in rows() if not wanted or row.case in wanted]
    results = outcomes(sorted({test for row in mine for test in row.tests}))
    texts = {row: result_of(row, results) for row in mine}
    for row, result in texts.items():
        print(f"{row.case:4} {row.inject[:60]:60} {result}")
    failed = sum(result.startswith("NOT") for result in texts.values())
    print(f"{len(mine)} cases, {failed} not passed, {sum(result == OPEN for result in texts.values())} open")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
