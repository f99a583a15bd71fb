"""Waiting for bytes is bounded, a lost connection is said, and whoever waits can be woken."""

import threading
import time
from collections.abc import Callable

import pytest

from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import LineLost, NoAnswer, Wire
from tests.adapters.sources.devices import TcpDevice
from tests.brokers import free_port, until


def wire(device: TcpDevice, timeout_s: float = 0.3) -> Wire:
    made = Wire(LineOptions("127.0.0.1", device.port, timeout_s=timeout_s))
    made.open()
    return made


@pytest.mark.slow
def test_bytes_go_there_and_back() -> None:
    with TcpDevice(lambda request: (request.upper(),)) as device:
        made = wire(device)
        made.send(b"abc")
        assert made.receive(2) == b"ABC"
        made.close()
        assert not made.is_open()


@pytest.mark.slow
def test_silence_ends_after_the_limit() -> None:
    with TcpDevice() as device:
        made, begun = wire(device), time.monotonic()
        with pytest.raises(NoAnswer, match="no answer"):
            made.receive(0.1)
        assert 0.09 < time.monotonic() - begun < 1
        made.close()


@pytest.mark.slow
def test_connection_closed_by_the_other_side_or_never_made_is_lost() -> None:
    with TcpDevice(lambda _request: (None,)) as device:
        made = wire(device)
        made.send(b"x")
        with pytest.raises(LineLost, match="closed"):
            made.receive(2)
        made.close()
    for act in (lambda: made.receive(0.1), lambda: made.send(b"x")):
        with pytest.raises(LineLost, match="not connected"):
            act()
    with pytest.raises(OSError):  # refused, in the words of the system
        Wire(LineOptions("127.0.0.1", free_port(), timeout_s=0.2)).open()


@pytest.mark.slow
def test_device_that_takes_nothing_does_not_hold_the_sender() -> None:
    stuck = threading.Event()

    def never(_request: bytes) -> tuple[()]:
        stuck.wait(5)
        return ()

    with TcpDevice(never) as device:
        made = wire(device)
        with pytest.raises(NoAnswer, match="takes nothing"):
            made.send(bytes(100_000_000))
        stuck.set()
        made.close()


@pytest.mark.slow
def test_old_bytes_are_thrown_away() -> None:
    with TcpDevice(greeting=lambda: (b"old" * 2000,)) as device:
        made = wire(device)
        assert until(lambda: made.drain() > 0)
        assert made.drain() == 0
        made.close()


@pytest.mark.slow
def test_connection_after_giving_up_stays_quiet_for_one_limit() -> None:
    with TcpDevice(greeting=lambda: (b"late", 0.1, b"later", 0.5, b"new")) as device:
        made = wire(device)
        made.give_up()
        begun = time.monotonic()
        made.open()
        assert time.monotonic() - begun > 0.25
        assert made.receive(2) == b"new"
        made.close()


@pytest.mark.slow
@pytest.mark.parametrize("waiting", [lambda made: made.receive(20)])
def test_waiting_is_woken(waiting: Callable[[Wire], bytes]) -> None:
    with TcpDevice() as device:
        made, begun = wire(device), time.monotonic()
        threading.Timer(0.1, made.abort).start()
        with pytest.raises(LineLost):
            waiting(made)
        assert time.monotonic() - begun < 2
        made.close()
        made.abort()
