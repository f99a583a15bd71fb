"""What asking a hundred Modbus instruments every second costs beside the bare library asking them the same."""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tests.bench.rig import ROOT, child, module
from tests.bench.table import Line
from tests.brokers import free_port

pytestmark = [pytest.mark.bench, pytest.mark.slow]

UNITS = 100
REGISTERS = 6
AIM = 2.0  # times the bare library: polling, decoding, range checks and delivery


@contextmanager
def serving() -> Iterator[int]:
    """A child that answers for all instruments, so that its work is not counted."""
    port = free_port()
    command = module("tests.bench.polls", "server", port, UNITS)
    process = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == b"ready"
        yield port
    finally:
        process.kill()
        process.communicate()


def run(role: str, port: int, seconds: int, lines: int) -> tuple[float, int]:
    """Processor seconds and readings."""
    with child(module("tests.bench.polls", role, port, UNITS, seconds, lines)) as process:
        assert process.stdout is not None
        spent, readings = process.stdout.read().split()
        return float(spent), int(readings)


@pytest.mark.parametrize("lines", [1, UNITS])
def test_poll_of_a_hundred_instruments(full: bool, report: list[Line], lines: int) -> None:
    """Every instrument is read in every second, none late."""
    seconds = 20 if full else 3
    with serving() as port:
        bare_s, bare_readings = run("bare", port, seconds, lines)
        ours_s, readings = run("ours", port, seconds, lines)
    assert readings == bare_readings == UNITS * REGISTERS * seconds
    name = f"{UNITS} Modbus instruments a second, {lines} connection{'s' if lines > 1 else ''}, share of a core"
    ratio = ours_s / bare_s
    report.append(
        Line("poll", name, f"{ours_s / seconds:.1%}", f"{bare_s / seconds:.1%}", ratio, f"< {AIM:g}", "nothing late")
    )
