"""What a link says of itself: its state at one moment, and what it has counted."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LinkCounters:
    """What happened since the start. `refused` counts payloads beyond the limit, `dropped` what a full inbox cost."""

    received: int = 0
    refused: int = 0
    dropped: int = 0
    published: int = 0
    publish_refused: int = 0
    publish_offline: int = 0
    connects: int = 0
    disconnects: int = 0
    connect_failures: int = 0
    callback_errors: int = 0
    late_acks: int = 0
    subscriptions_refused: int = 0
    taken_over: int = 0  # the broker said that another client has our client id
    short_connections: int = 0  # lost within seconds, and not to a broker that went: two clients with one client id
    revivals: int = 0  # fresh clients after the network thread died
    refetches: int = 0  # reconnects made to fetch what a full inbox had missed


@dataclass(frozen=True, slots=True)
class LinkState:
    """One look at the link, for findings and the page."""

    connected: bool
    subscribed: bool  # the broker has answered every subscription of this connection
    alive: bool
    unacknowledged: int
    refused_topics: tuple[tuple[str, str], ...]  # topic and the broker's reason
    last_error: str
    certificate_until_s: float | None  # end of the broker's certificate, seconds since 1970; None without TLS
    counters: LinkCounters
    connected_s: float = 0.0  # the monotonic second at which the connection was made
    unheard: tuple[str, ...] = ()  # subscribed topics on which nothing has come in it
