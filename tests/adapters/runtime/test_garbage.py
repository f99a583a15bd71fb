"""The collector of garbage looks seldom, and not at what stays; circles that are left are found all the same."""

import subprocess
import sys

import pytest

CODE = """
import gc, weakref
from meterd.adapters.runtime.garbage import YOUNG, YOUNG_LEAST, spare_what_stays
class Item: pass
kept = [Item() for _ in range(1000)]
spare_what_stays(5_000)
assert gc.get_freeze_count() > 1000 > len(gc.get_objects())
one = Item(); one.itself = one; gone = weakref.ref(one); del one
lists = [[] for _ in range(YOUNG + 10)]
assert gone() is None, "a circle is found when as many objects were made"
plan = Item(); plan.itself = plan; old = weakref.ref(plan)
spare_what_stays(5_000)
del plan
gc.collect()
assert old() is not None, "it was spared"
spare_what_stays(5_000)
assert old() is None, "a plan that was replaced goes with the next one"
assert gc.get_threshold()[0] == YOUNG
spare_what_stays(5)
assert gc.get_threshold()[0] == YOUNG_LEAST, "of a small site less garbage waits"
print("ok")
"""


def test_what_stays_is_spared_and_circles_are_found() -> None:
    """In a process of its own: it changes the collector for good."""
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("ok\n", "")


COMMAND = """
import atexit, gc, sys
atexit.register(lambda: print("spared at the end" if gc.get_freeze_count() > 10_000 else "searched at the end"))
from meterd.app.cli.main import main
sys.argv = ["meterd", "findings", "nowhere.toml"]
answer = main(ARGUMENTS)
print(answer, gc.get_threshold()[0])
"""


@pytest.mark.parametrize(
    ("arguments", "shown"),
    [("", "2 20000\nspared at the end\n"), ("sys.argv[1:]", "2 700\nsearched at the end\n")],
)
def test_a_command_is_not_searched_for_circles_while_it_starts_nor_at_its_end(arguments: str, shown: str) -> None:
    """Found by measuring `meterd findings`: a seventh of its processor time. A caller in a process of its own keeps his."""
    done = subprocess.run(
        [sys.executable, "-c", COMMAND.replace("ARGUMENTS", arguments)], capture_output=True, text=True, check=False
    )
    assert done.stdout == shown
    assert "there is no such plan" in done.stderr
