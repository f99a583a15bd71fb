"""The self-test holds on this machine; a habit that is lost, or a check that cannot run, stops the start by name."""

import pytest

from meterd.app.daemon.selftest import CHECKS, self_test
from meterd.core.errors import MeterdError


@pytest.mark.parametrize("habit", CHECKS)
def test_habit_holds_here(habit: str) -> None:
    assert CHECKS[habit][1]()


def test_all_lost_habits_are_named_at_once() -> None:
    def raising() -> bool:
        raise OSError

    with pytest.raises(MeterdError, match="a 1: first; b 2: second; install the pinned versions"):
        self_test({"first": ("a 1", lambda: False), "second": ("b 2", raising)})
