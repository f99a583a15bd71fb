"""Names are plain, and two names differ in more than case, separators and leading zeros."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.planfile.checks.site import check_names
from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.name_rules import instead, is_name, is_secret, nearest, sameness, suggestion
from meterd.adapters.planfile.row import Row
from meterd.adapters.planfile.schema import BoardRow, Entry

NAMES = st.from_regex(r"[a-z0-9]{1,4}(-[a-z0-9]{1,4}){0,3}", fullmatch=True)


@pytest.mark.parametrize("name", ["t1", "q07", "studio-017", "0", "a-1-b"])
def test_plain_names_pass(name: str) -> None:
    assert is_name(name)


@pytest.mark.parametrize(
    "name", ["", "Q07", "q_07", "q07-", "-q07", "q--7", "ä", "q 7", "q/7", "q+", "q#", "x" * 64, "q7\n", "٣"]
)
def test_other_names_are_refused(name: str) -> None:
    assert not is_name(name)


@given(st.text())
def test_a_suggestion_is_a_name_or_nothing(text: str) -> None:
    assert suggestion(text) == "" or is_name(suggestion(text))


@given(NAMES, st.data())
def test_case_separators_and_leading_zeros_make_no_other_name(name: str, data: st.DataObject) -> None:
    def padded(match: re.Match[str]) -> str:
        return "0" * data.draw(st.integers(0, 2)) + match[0]

    other = re.sub(r"[0-9]+", padded, name)
    other = "".join(letter.upper() if data.draw(st.booleans()) else letter for letter in other)
    other = other.replace("-", data.draw(st.sampled_from(("-", "_", ".", " "))))
    assert sameness(other) == sameness(name)


@given(st.integers(0, 999), st.integers(0, 999))
def test_different_numbers_are_different_names(item: int, two: int) -> None:
    assert (sameness(f"studio-{item:03d}") == sameness(f"studio-{two}")) == (item == two)


@given(st.lists(NAMES, max_size=8))
def test_every_collision_is_noted_once_and_nothing_else(names: list[str]) -> None:
    notes = Notes()
    entries = [
        Entry(BoardRow(name=name), Row({"name": name}, Place("site.toml", line, 1)))
        for line, name in enumerate(names, 1)
    ]
    check_names(Draft(boards=entries), notes)
    first: dict[str, int] = {}
    later = [line for line, name in enumerate(names, 1) if first.setdefault(sameness(name), line) != line]
    assert [fault.line for fault in notes.faults] == later


def test_the_nearest_name_is_guessed_and_a_far_one_is_not() -> None:
    assert nearest("q1", ("t1", "q01", "q02")) == "q01"
    assert nearest("xyz", ("t1", "q01")) is None
    assert instead("xyz", ()) == "none is declared"
    assert instead("zzz", [f"q{number}" for number in range(30)]).endswith("q19, ...")


def test_secrets_are_known_in_any_case() -> None:
    assert is_secret("Password")
    assert not is_secret("password_env")
