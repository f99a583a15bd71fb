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
AIM = 2.0  # times the bare library: grid, late bytes, checks, readings and their delivery to another thread


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


def run(role: str, port: int, seconds: int, lines: int) -> tuple[float, int, int]:
    """Processor seconds, readings, and polls that were late or not answered."""
    with child(module("tests.bench.polls", role, port, UNITS, seconds, lines)) as process:
        assert process.stdout is not None
        spent, readings, late = process.stdout.read().split()
        return float(spent), int(readings), int(late)


@pytest.mark.parametrize("lines", [1, UNITS])
def test_poll_of_a_hundred_instruments(full: bool, report: list[Line], lines: int) -> None:
    """Every instrument is read in every second."""
    seconds = 20 if full else 1
    whole = UNITS * REGISTERS * seconds
    with serving() as port:
        bare_s, bare_readings, _ = run("bare", port, seconds, lines)
        threads_s, threads_readings, _ = run("threads", port, seconds, lines)
        ours_s, readings, late = run("ours", port, seconds, lines)
    assert bare_readings == threads_readings == whole
    assert readings >= 0.5 * whole, "the short form runs on busy machines too"
    name = f"{UNITS} Modbus instruments a second, {lines} connection{'s' if lines > 1 else ''}, share of a core"
    share = UNITS * REGISTERS
    ours, theirs = ours_s / readings, bare_s / bare_readings
    threaded = threads_s / threads_readings * share
    note = f"{readings} of {whole} readings, {late} polls late; bare with a thread per connection {threaded:.1%}"
    report.append(Line("poll", name, f"{ours * share:.1%}", f"{theirs * share:.1%}", ours / theirs, f"< {AIM:g}", note))
