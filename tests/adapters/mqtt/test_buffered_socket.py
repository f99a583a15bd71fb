"""Bytes pass a socket with buffers in their order, however they are cut; nothing is lost at its end."""

import contextlib
import socket
from collections.abc import Iterator

import pytest

from meterd.adapters.mqtt import buffered_socket
from meterd.adapters.mqtt.buffered_socket import BufferedSocket

Pair = tuple[BufferedSocket, socket.socket]


@pytest.fixture
def pair() -> Iterator[Pair]:
    near, far = socket.socketpair()
    near.setblocking(False)
    with near, far:
        far.settimeout(10)
        yield BufferedSocket(near), far


def test_what_came_is_given_in_pieces_of_any_size_and_then_nothing_is_there(pair: Pair) -> None:
    """As from a socket without buffers: a short piece at the end, BlockingIOError while nothing is there, b"" at the end."""
    near, far = pair
    far.sendall(b"abcdefg")
    assert [near.recv(1), near.recv(3)] == [b"a", b"bcd"]
    assert near.pending() == 3
    assert near.recv(100) == b"efg"
    assert near.pending() == 0
    with pytest.raises(BlockingIOError):
        near.recv(1)
    far.close()
    assert near.recv(1) == b""


def test_what_is_sent_leaves_together_with_the_flush(pair: Pair) -> None:
    """One call to the system for many packets."""
    near, far = pair
    assert [near.send(b"abc"), near.send(bytearray(b"de"))] == [3, 2]
    far.setblocking(False)
    with pytest.raises(BlockingIOError):
        far.recv(1)
    assert near.flush()
    assert far.recv(100) == b"abcde"


def test_a_side_that_does_not_read_makes_the_sender_wait_and_loses_nothing(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """BlockingIOError beyond the limit; all that was taken arrives in its order."""
    monkeypatch.setattr(buffered_socket, "HELD_BYTES", 100_000)
    near, far = pair
    taken = bytearray()
    with contextlib.suppress(BlockingIOError):
        while len(taken) < 1e9:
            piece = b"%06d" % len(taken) * 1000
            near.send(piece)
            taken += piece
    assert 100_000 <= len(taken) < 1e9
    assert not near.flush()
    got = bytearray()
    while len(got) < len(taken):
        got += far.recv(1_000_000)
        near.flush()
    assert got == taken


def test_the_last_bytes_leave_when_it_is_closed(pair: Pair) -> None:
    """A goodbye needs no flush."""
    near, far = pair
    near.send(b"goodbye")
    near.close()
    assert far.recv(100) == b"goodbye"
    assert far.recv(100) == b""


def test_a_fault_of_sending_is_told_by_what_is_asked_next(pair: Pair) -> None:
    """What came before it can still be read."""
    near, far = pair
    far.sendall(b"ab")
    assert near.recv(1) == b"a"
    far.close()
    near.send(b"lost")
    assert near.flush()
    assert near.broken()
    assert near.recv(1) == b"b"
    with pytest.raises(OSError, match=r"roken pipe|reset"):
        near.recv(1)
    with pytest.raises(OSError, match=r"roken pipe|reset"):
        near.send(b"x")
    near.close()
