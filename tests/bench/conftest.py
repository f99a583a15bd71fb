"""Full form with `-m bench`, short form (correctness only) in every other run; the table is printed at the end."""

from collections.abc import Iterator

import pytest

from tests.bench.table import Line, markdown

_LINES: list[Line] = []


@pytest.fixture
def full(request: pytest.FixtureRequest) -> bool:
    """Whether figures are wanted, which takes minutes."""
    return bool(request.config.option.markexpr == "bench")


@pytest.fixture
def report() -> Iterator[list[Line]]:
    """Lines for the table; each is printed when its bench is done."""
    lines: list[Line] = []
    yield lines
    for line in lines:
        print("\n" + " | ".join(line.cells()))
    _LINES.extend(lines)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print the table of a bench run."""
    if _LINES and config.option.markexpr == "bench":
        terminalreporter.write_line(markdown(_LINES))
