"""Out of a stream a sound telegram counts once a period, and nothing that lay in a buffer meanwhile."""

import itertools
import time
from collections.abc import Callable, Iterator

import pytest

from meterd.adapters.sources.listening import BUFFER_LIMIT, STATION, PushLine
from meterd.adapters.sources.polling import Garbage
from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import NoAnswer, Wire
from meterd.adapters.sources.values import AnswerValues
from meterd.core.model.reading import Reading
from tests.adapters.sources.devices import Piece, TcpDevice


def find(data: bytes) -> tuple[int, bytes | None]:
    """A telegram is a line."""
    end = data.find(b"\n")
    return (0, None) if end < 0 else (end + 1, data[:end])


def check(telegram: bytes) -> None:
    int(telegram)


def decode(telegram: bytes, at_ms: int) -> AnswerValues:
    return AnswerValues((Reading("q01", "16.7.0", at_ms, float(telegram), at_ms, False),))


def line(device: TcpDevice, *, period_s: float = 0.2, timeout_s: float = 0.3) -> PushLine:
    made = PushLine(
        Wire(LineOptions("127.0.0.1", device.port, timeout_s=timeout_s)), find=find, check=check, decode=decode, clock=lambda: 5,
        pace=(period_s, timeout_s),
    )  # fmt: skip
    made.open()
    return made


def numbers(form: Callable[[int], bytes], pause_s: float) -> Callable[[], Iterator[Piece]]:
    def stream() -> Iterator[Piece]:
        for number in itertools.count():
            yield form(number)
            yield pause_s

    return stream


@pytest.mark.slow
def test_one_telegram_in_each_period_and_the_newest() -> None:
    with TcpDevice(greeting=numbers(lambda n: b"%d\n" % n, 0.02)) as device:
        made = line(device)
        first = made.read(STATION).readings[0].value
        begun = time.monotonic()
        second = made.read(STATION).readings[0].value
        assert 0.1 < time.monotonic() - begun < 0.5
        assert second - first >= 4
        made.close()
    assert made.stations() == (STATION,)


@pytest.mark.slow
def test_damaged_telegrams_are_counted_with_the_next_good_one() -> None:
    with TcpDevice(greeting=numbers(lambda n: b"x%d\n" % n if n % 3 else b"%d\n" % n, 0.01)) as device:
        made = line(device, period_s=0.1)
        made.read(STATION)
        assert made.read(STATION).garbage >= 2
        made.close()


@pytest.mark.slow
def test_only_damaged_ones_are_garbage_and_none_at_all_is_silence() -> None:
    with TcpDevice(greeting=numbers(lambda _: b"x\n", 0.02)) as device:
        made = line(device)
        with pytest.raises(Garbage, match="no sound telegram"):
            made.read(STATION)
        made.close()
    with TcpDevice() as device:
        made = line(device)
        with pytest.raises(NoAnswer, match="sends nothing"):
            made.read(STATION)
        assert not made.is_open()


@pytest.mark.slow
def test_stream_without_any_telegram_does_not_fill_the_memory() -> None:
    with TcpDevice(greeting=lambda: itertools.repeat(b"y" * 4096)) as device:
        made = line(device, timeout_s=5.0)
        with pytest.raises(Garbage, match=f"{BUFFER_LIMIT} bytes"):
            made.read(STATION)
        made.close()


@pytest.mark.slow
def test_noise_that_is_thrown_away_at_once_is_not_called_silence() -> None:
    """Found by an endless stream of letters: the reader kept nothing of it, and the line was said to send nothing."""
    with TcpDevice(greeting=numbers(lambda _: b"A" * 64, 0.02)) as device:
        made = PushLine(
            Wire(LineOptions("127.0.0.1", device.port, timeout_s=0.3)), find=lambda data: (len(data), None), check=check,
            decode=decode,
            clock=lambda: 5, pace=(0.2, 0.3),
        )  # fmt: skip
        made.open()
        with pytest.raises(Garbage, match="no sound telegram"):
            made.read(STATION)
        made.close()
