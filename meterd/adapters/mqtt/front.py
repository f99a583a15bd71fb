"""One port for MQTT 3.1.1 and MQTT 5 before the built-in broker, and all it has retained for wildcards.

Works around three habits of rumqttd 0.20 (in iotcore 0.4), each with a test that fails without
(tests/adapters/mqtt/test_embedded_broker.py):

- a listener serves one version and cuts off the other;
- its listener for 3.1.1 breaks the connection of whoever is to get a message with properties, such as one that expires (it
  panics). So all clients meet the listener for MQTT 5, and those of 3.1.1 are spoken for (`versions.py`);
- a subscription with QoS 1 or 2 gets at most 100 retained messages and never the others (a constant of its build; those
  beyond it are dropped), one with QoS 0 gets them all. A subscription with a wildcard is therefore handed on with QoS 0,
  which a server may grant for any (MQTT 5.0, clause 3.9.3) and tells the client. A topic without wildcard keeps QoS and session.
"""

import asyncio

from meterd.adapters.mqtt.versions import (
    CONNECT,
    NEWEST,
    SUBSCRIBE,
    Packet,
    Unreadable,
    down,
    taken,
    up,
    version,
    with_retained,
    written,
)

FIRST_WORD_S = 5.0  # a connection that does not say its version by then is closed
CONNECT_FIRST = bytes([CONNECT << 4])
POLL_S = 0.02  # between two looks whether the broker behind answers; whoever started us has a limit


class Talk:
    """What the two ends of one connection say, as the other end understands it. `level` is None until the client said it."""

    def __init__(self) -> None:
        self.level: int | None = None
        self._from_client = bytearray()
        self._from_broker = bytearray()

    def to_broker(self, data: bytes) -> bytes:
        """What goes to the broker now that this came from the client. Raises Unreadable."""
        self._from_client += data
        if self.level is None and self._from_client[:1] != CONNECT_FIRST:
            raise Unreadable("the first packet is no CONNECT")  # at once: a web browser sends nothing more
        return b"".join(map(self._up, taken(self._from_client)))

    def _up(self, packet: Packet) -> bytes:
        if self.level is None:
            self.level = version(packet)
        if self.level < NEWEST:
            packet = up(packet)
        return written(with_retained(packet) if packet.kind == SUBSCRIBE else packet)

    def to_client(self, data: bytes) -> bytes:
        """What goes to the client now that this came from the broker. Raises Unreadable."""
        if self.level == NEWEST:
            return data
        self._from_broker += data
        packets = [down(packet) for packet in taken(self._from_broker)]
        return b"".join(written(packet) for packet in packets if packet is not None)


class _Side(asyncio.Protocol):
    """One end of a connection. A side that cannot write stops the reading of the other."""

    def __init__(self, talk: Talk) -> None:
        self.talk = talk
        self.transport: asyncio.Transport | None = None
        self.other: _Side | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport), "TCP gives one that reads and writes"
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        try:
            text = self.understood(data)
        except Unreadable:
            if self.transport is not None:
                self.transport.close()
            return
        if text and self.other is not None and self.other.transport is not None:
            self.other.transport.write(text)

    def understood(self, data: bytes) -> bytes:
        """For the other end."""
        return self.talk.to_client(data)

    def pause_writing(self) -> None:
        if self.other is not None and self.other.transport is not None:
            self.other.transport.pause_reading()

    def resume_writing(self) -> None:
        if self.other is not None and self.other.transport is not None:
            self.other.transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        if self.other is not None and self.other.transport is not None:
            self.other.transport.close()  # what was written still goes out


class _Client(_Side):
    """The end of a client; the broker is asked when its CONNECT is whole."""

    def __init__(self, broker_port: int) -> None:
        super().__init__(Talk())
        self._broker_port = broker_port
        self._first = b""
        self._reaching: asyncio.Task[None] | None = None
        self._limit: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)
        self._limit = asyncio.get_running_loop().call_later(FIRST_WORD_S, transport.close)

    def understood(self, data: bytes) -> bytes:
        text = self.talk.to_broker(data)
        if self.other is not None:
            return text
        self._first += text
        if self._first and self._reaching is None:
            assert self.transport is not None, "data came from it"
            self.transport.pause_reading()
            self._reaching = asyncio.get_running_loop().create_task(self._reach())
        return b""

    async def _reach(self) -> None:
        assert self.transport is not None, "the client is there"
        if self._limit is not None:
            self._limit.cancel()
        try:
            transport, side = await asyncio.get_running_loop().create_connection(
                lambda: _Side(self.talk), "127.0.0.1", self._broker_port
            )
        except OSError:
            self.transport.close()
            return
        self.other, side.other = side, self
        transport.write(self._first)
        self._first = b""
        if self.transport.is_closing():
            transport.close()
        else:
            self.transport.resume_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._limit is not None:
            self._limit.cancel()
        super().connection_lost(exc)


async def serve(listen: str, port: int, broker_port: int) -> None:
    """Listen for clients of any version and hand on what they say, for ever, once the broker behind answers."""
    await _answers(broker_port)
    server = await asyncio.get_running_loop().create_server(lambda: _Client(broker_port), listen, port)
    async with server:
        await server.serve_forever()


async def _answers(port: int) -> None:
    while True:
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(POLL_S)
        else:
            writer.close()
            return
