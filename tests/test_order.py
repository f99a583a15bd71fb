"""The table of long tests names files and tests that are there, and what takes long begins before the others are done."""

from tests.faults.table import ROOT, functions
from tests.order import DEMOS, EARLY, SECONDS, places, unit_of
from tests.thorough import THOROUGH, is_thorough

NAMES = [name for name in SECONDS if name not in DEMOS]


def test_what_the_table_names_is_there() -> None:
    for name in NAMES:
        path, _, test = name.partition("::")
        assert (ROOT / path).exists(), name
        assert not test or test in functions(ROOT / path), name


def test_a_test_runs_with_its_file_unless_the_table_names_it_alone() -> None:
    alone = next(name for name in SECONDS if "::" in name)
    file = alone.partition("::")[0]
    assert unit_of(f"{alone}[case]") == f"{alone}[case]"
    assert unit_of(f"{file}::test_of_it[case]") == file


def test_files_that_look_at_a_demo_are_two_units() -> None:
    assert unit_of("tests/adapters/web/pages/test_balance.py::test_a") == DEMOS[0]
    assert unit_of("tests/adapters/web/pages/test_energy.py::test_a") == DEMOS[1]
    assert unit_of("tests/adapters/web/test_guard.py::test_a") == "tests/adapters/web/test_guard.py"


def test_what_takes_long_begins_in_the_first_half_the_longest_first() -> None:
    files = [str(path.relative_to(ROOT)) for path in (ROOT / "tests").rglob("test_*.py")]
    place = places([*NAMES, *(f"{file}::test_a" for file in files)])
    long = [place[name] for name in sorted(SECONDS, key=lambda name: (-SECONDS[name], name))]
    assert long == sorted(long)
    assert long[-1] < EARLY < place["tests/test_layers.py"]
    assert set(place) == {*NAMES, *(unit_of(f"{file}::test_a") for file in files)}


def test_what_is_thorough_is_there_and_is_named_alone_by_its_file_or_by_its_folder() -> None:
    for name in THOROUGH:
        path, _, test = name.partition("::")
        assert (ROOT / path).exists(), name
        assert not test or test in functions(ROOT / path), name
    assert is_thorough("tests/bench/test_poll.py::test_a[1]")
    assert is_thorough("tests/acceptance/test_uci.py::test_a")
    fuzzer = "tests/adapters/web/test_registry.py::test_the_interface_survives_what_a_fuzzer_makes_of_its_document"
    assert is_thorough(f"{fuzzer}[a]")
    assert not is_thorough("tests/adapters/web/test_registry.py::test_a")
    assert not is_thorough("tests/adapters/simulator/test_site.py::test_a")
