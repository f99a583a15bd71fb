"""Commands called as a person calls them."""

from pathlib import Path

import pytest

from meterd.app.cli.main import main

CONFIG = Path(__file__).parents[2] / "config"


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit code, output and errors of a command."""
    code = main(list(arguments))
    output = capsys.readouterr()
    return code, output.out, output.err
