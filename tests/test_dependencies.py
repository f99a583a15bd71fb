"""The list of everything the program needs is whole, and a difference to what is installed is told in words."""

import importlib.util
import re
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def script() -> ModuleType:
    """`.ci/dependencies.py` as a module."""
    spec = importlib.util.spec_from_file_location("dependencies", ROOT / ".ci" / "dependencies.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_what_is_installed_is_what_is_listed(script: ModuleType) -> None:
    """Name, version and licence of every package, also of those that packages need."""
    listed = script.pinned(script.LIST.read_text(encoding="utf-8"))
    installed = script.pinned("\n".join(script.lines(script.needed(script.direct()))))
    assert script.differences(listed, installed) == []
    wanted = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    direct = {re.split(r"[^A-Za-z0-9-]", line)[0] for line in wanted}
    assert direct < set(listed)
    assert {"urllib3", "pydantic-core", "python-dateutil"} < set(listed) - direct


def test_every_licence_is_named_and_none_asks_for_more(script: ModuleType) -> None:
    """A copyleft licence would reach the whole program; one that came in is reported with its name."""
    listed = script.pinned(script.LIST.read_text(encoding="utf-8"))
    assert [name for name, (_, text) in listed.items() if not text or text == "not named"] == []
    assert script.asking(listed) == []
    assert script.asking({"chart": ("1.0", "GNU General Public License v3 (GPLv3)")}) == [
        "chart: GNU General Public License v3 (GPLv3)"
    ]


def test_differences_are_reported_in_words(script: ModuleType) -> None:
    """A new, a gone, an updated package and a changed licence."""
    listed = script.pinned("# head\na==1.0  # MIT\nb==1.0  # MIT\nc==1.0  # MIT\n")
    installed = script.pinned("a==1.1  # MIT\nc==1.0  # BSD\nd==2.0  # MIT")
    assert script.differences(listed, installed) == [
        "a is listed as 1.0 and installed as 1.1",
        "b is listed and no longer needed",
        "c: its licence was MIT and is BSD",
        "d 2.0 (MIT) is needed and not listed",
    ]


def test_extras_and_markers_are_followed(script: ModuleType) -> None:
    """An extra brings its packages, a marker that does not hold brings nothing."""
    plain = script.needed([script.Requirement("pytest-xdist")])
    assert {"pytest-xdist", "execnet", "pytest"} < set(plain)
    assert "psutil" not in plain
    assert "colorama" not in plain  # of pytest, on another system only
