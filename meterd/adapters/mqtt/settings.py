"""What a link needs to know, as plain values. Each default carries its reason."""

from dataclasses import dataclass, field

WEEK_S = 7 * 86_400


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """Where the broker is, who we are, and every limit of the link.

    A `client_id` must stay the same from start to start: the broker keeps the messages of an absent client under it.
    With `session_expiry_s` 0 the broker forgets the client at once (right for a link that only publishes).
    """

    client_id: str
    host: str = "localhost"
    port: int = 1883
    username: str = ""
    password: str = field(default="", repr=False)
    tls: bool = False
    ca_file: str = ""  # empty = the system's authorities
    cert_file: str = ""
    key_file: str = ""
    keep_alive_s: int = 15  # a frozen broker is noticed within twice this
    connect_limit_s: float = 3.0  # a TCP connect on a local network is answered in milliseconds
    retry_min_s: float = (
        0.5  # the first wait is drawn from 0.5 to 1.5 times this, so that a site does not return at once
    )
    retry_max_s: float = 30.0  # reached after six doublings
    session_expiry_s: int = WEEK_S  # a holiday week without daemon loses nothing the broker has room for
    receive_maximum: int = 1000  # unacknowledged messages to us; the broker's own limit may be lower (commonly 20)
    unacknowledged_limit: int = (
        10_000  # our publishes not yet taken by the broker; the full set of a site is below 3,000
    )
    payload_limit: int = 256 * 1024  # a pack of all registers of a meter is below 4 KiB
    stop_limit_s: float = 3.0


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker says in our name when the connection breaks."""

    topic: str
    payload: bytes
    retain: bool = True
    content_type: str = ""
    expiry_s: int | None = None
    delay_s: int = 0  # a reconnect within this time cancels the will
