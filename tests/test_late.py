"""A large library is loaded by the test that uses it, and by nothing before."""

import math

import pytest

from tests.late import Late


@pytest.mark.parametrize("name", ["__wrapped__", "_pytestfixturefunction", "pytestmark"])
def test_what_pytest_asks_of_every_object_loads_nothing(name: str) -> None:
    with pytest.raises(AttributeError):
        getattr(Late("no_such_library"), name)


def test_its_names_are_those_of_the_library() -> None:
    assert Late("math").pi == math.pi
    with pytest.raises(ModuleNotFoundError):
        Late("no_such_library").pi
