"""What is shipped: the wheel works from any folder, and the README's commands are those of CI."""

import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from meterd.core.topics.asyncapi import topics_markdown

ROOT = Path(__file__).parents[1]


def readme_commands() -> list[str]:
    """The lines of the first two code blocks of the README."""
    blocks = re.findall(r"```sh\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    return [block.strip() for block in blocks[:2]]


def test_ci_runs_exactly_the_test_command_of_the_readme() -> None:
    """A newcomer's second command is what CI runs."""
    assert readme_commands()[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_the_reference_of_topics_lists_every_derived_value() -> None:
    """The table of topics in its reference follows the table in the code."""
    assert topics_markdown().strip() in (ROOT / "meterd" / "core" / "topics" / "README.md").read_text(encoding="utf-8")


@pytest.mark.slow
def test_wheel_holds_the_example_plans(tmp_path: Path) -> None:
    """`meterd demo` works after a plain installation, so its plan is inside the package."""
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True, timeout=120)
    names = zipfile.ZipFile(next(tmp_path.glob("*.whl"))).namelist()
    for wanted in ("site.toml", "points.csv", "instruments.csv", "inputs.csv", "consumers.csv", "patterns/studio.toml"):
        assert f"meterd/adapters/simulator/harrow-mill/{wanted}" in names
    assert "meterd/adapters/simulator/small.toml" in names
    assert {"meterd/app/cli/help/plan.md", "meterd/app/cli/help/service.md", "meterd/core/topics/README.md"} <= set(
        names
    )
