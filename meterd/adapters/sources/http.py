"""Meters and gateways with values behind an HTTP address: JSON, SenML or a plain number, asked for once a period.

An address is the path, such as `/status` or `/rpc/meter?id=0`; `field` and `time_field` work as with MQTT. Each answer has
its own connection: many small servers close an idle one, and a late answer can never be taken for the next.
"""

import base64
import contextlib
import http.client
import re
import socket
import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Literal

from meterd.adapters.runtime.secret import secret
from meterd.adapters.sources import PAYLOAD_LIMIT, inputs_of, sample, settings_from, wall_ms
from meterd.adapters.sources.payloads import InputGroup, decode, group_of
from meterd.adapters.sources.polling import Garbage, Pace, PolledSource, host_faults, pace_faults, refuse
from meterd.adapters.sources.tcp import CHUNK, LineLost, NoAnswer
from meterd.adapters.sources.timestamps import EPOCH_UNITS_MS
from meterd.adapters.sources.values import AnswerValues
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Refusal
from meterd.core.registers.limits import largest

LONGEST_PATH = 2000
OK, MOVED, FAULTS = 200, 300, 400
PORTS = {False: 80, True: 443}
REMEDIES = {
    401: "; are username and password right?",
    403: "; may this user read it?",
    404: "; is the path right?",
}
_PATH = re.compile(r"/[!-~]*", re.ASCII)


@dataclass(frozen=True, slots=True)
class HttpSettings:
    """Options of an HTTP source: one meter or gateway."""

    protocol: Literal["http"] = "http"
    host: str = ""
    port: int = 0  # 0: 80, with `tls` 443
    tls: bool = False
    ca_file: str = ""  # empty = the system's authorities
    username: str = ""
    password_env: str = ""
    password_file: str = ""
    time_unit: str = "s"  # of device times that are numbers: s, ms, us or ns
    period_s: float = 10.0
    timeout_s: float = 5.0
    retry_max_s: float = 60.0  # longest delay between attempts to reach what does not answer

    @property
    def open_port(self) -> int:
        """The port that is connected to."""
        return self.port or PORTS[self.tls]


def settings_for(row: SourceRow, _site: Site | None = None) -> HttpSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(HttpSettings, row, {})
    faults = host_faults(settings.host, settings.open_port)
    faults += pace_faults(settings.period_s, settings.timeout_s, settings.retry_max_s)
    if settings.time_unit not in EPOCH_UNITS_MS:
        faults.append(f"option time_unit is one of {', '.join(EPOCH_UNITS_MS)}")
    if settings.ca_file and not settings.tls:
        faults.append("option ca_file is for tls = true")
    if (settings.password_env or settings.password_file) and not settings.username:
        faults.append("a password is given without username")
    if ":" in settings.username:
        faults.append("option username must not have a colon (RFC 7617)")
    refuse(row.name, faults)
    return settings


def address_fault(address: str) -> tuple[str, str] | None:
    """What is wrong with an address, and what would be right; None if nothing."""
    if len(address) > LONGEST_PATH or not _PATH.fullmatch(address) or "#" in address:
        return f"{address[:40]!r} is no path", "write one such as /status or /rpc/meter?id=0; the host is an option"
    return None


class HttpLine:
    """One server; its stations are the paths. One thread asks; any may `abort`."""

    def __init__(self, settings: HttpSettings, inputs: tuple[Input, ...], site: Site, clock: Callable[[], int]) -> None:
        self._settings, self._clock = settings, clock
        by_path: dict[str, list[Input]] = {}
        for meter_input in inputs:
            by_path.setdefault(meter_input.address, []).append(meter_input)
        future_ms = site.limits.future_s * 1000
        self._groups: dict[str, InputGroup] = {
            path: group_of(of, time_unit=settings.time_unit, future_ms=future_ms, largest=partial(largest, site))
            for path, of in by_path.items()
        }
        self._headers = {"Connection": "close", "Accept": "application/json, text/plain, */*"}
        if settings.username:
            word = secret(settings.password_env, settings.password_file, "the meter's password")
            both = base64.b64encode(f"{settings.username}:{word}".encode()).decode("ascii")
            self._headers["Authorization"] = f"Basic {both}"
        self._context = _context(settings.ca_file) if settings.tls else None
        self._connection: http.client.HTTPConnection | None = None

    def stations(self) -> tuple[str, ...]:
        """The paths."""
        return tuple(self._groups)

    def open(self) -> None:
        """Connect within the limit; OSError if that fails."""
        self.close()
        settings = self._settings
        made: http.client.HTTPConnection
        if self._context is not None:
            made = http.client.HTTPSConnection(
                settings.host, settings.open_port, timeout=settings.timeout_s, context=self._context
            )
        else:
            made = http.client.HTTPConnection(settings.host, settings.open_port, timeout=settings.timeout_s)
        made.connect()
        self._connection = made

    def is_open(self) -> bool:
        """Whether a connection was made that has not answered yet."""
        return self._connection is not None

    def close(self) -> None:
        """Close; nothing that is still on the way is ever seen."""
        made, self._connection = self._connection, None
        if made is not None:
            made.close()

    def abort(self) -> None:
        """End the waiting of the thread that asks."""
        made = self._connection
        if made is not None and made.sock is not None:
            with contextlib.suppress(OSError):
                made.sock.shutdown(socket.SHUT_RDWR)

    def read(self, station: str) -> AnswerValues:
        """Ask for one path and close."""
        group = self._groups[station]
        status, body = self.ask(station)
        if status != OK:
            reason = _status_words(station, status, body)
            return AnswerValues(
                refusals=tuple(Refusal(f.point, f.register, reason, sample(body)) for f in group.fields), declined=1
            )
        decoded = decode(group, body, self._clock(), retained=False)
        return AnswerValues(decoded.readings, decoded.refusals)

    def ask(self, path: str) -> tuple[int, bytes]:
        """Status and body of the answer, or where it sends one to. NoAnswer, Garbage or LineLost if none comes."""
        made = self._connection
        if made is None:
            raise LineLost(f"not connected to {self._peer()}")
        deadline = time.monotonic() + self._settings.timeout_s
        try:
            made.request("GET", path, headers=self._headers)
            answer = made.getresponse()
            if MOVED <= answer.status < FAULTS:
                return answer.status, answer.getheader("Location", "").encode()
            return answer.status, self._body(answer, deadline)
        except TimeoutError as exc:
            raise NoAnswer(f"no answer from {self._peer()} within the limit") from exc
        except (http.client.RemoteDisconnected, OSError) as exc:
            raise LineLost(f"connection to {self._peer()} lost: {exc}") from exc
        except http.client.HTTPException as exc:
            raise Garbage(f"{self._peer()}: no HTTP answer: {sample(str(exc) or type(exc).__name__)}") from exc
        finally:
            self.close()

    def _body(self, answer: http.client.HTTPResponse, deadline: float) -> bytes:
        body = b""
        while piece := answer.read1(CHUNK):
            body += piece
            if len(body) > PAYLOAD_LIMIT:
                raise Garbage(f"{self._peer()} sends more than {PAYLOAD_LIMIT} bytes")
            if time.monotonic() > deadline:
                raise NoAnswer(f"no whole answer from {self._peer()} within the limit")
        if answer.length:  # the rest of what was announced never came
            raise Garbage(f"answer of {self._peer()} cut short")
        return body

    def _peer(self) -> str:
        return f"{self._settings.host}:{self._settings.open_port}"


def _context(ca_file: str) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca_file or None)
    except OSError as exc:
        raise ConfigError(f"cannot read the certificates of authorities in {ca_file}: {exc}") from exc


def _status_words(path: str, status: int, body: bytes) -> str:
    text = f"{path} is answered with HTTP status {status} ({http.client.responses.get(status, 'unknown')})"
    if MOVED <= status < FAULTS:
        return f"{text}: write host, tls and address of {sample(body)}"
    return text + REMEDIES.get(status, "")


class HttpSource(PolledSource):
    """Asks for the paths of its inputs. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings_for(row)
        line = HttpLine(self.settings, inputs_of(site.inputs, row.name), site, clock)
        super().__init__(row.name, line, Pace(self.settings.period_s, self.settings.retry_max_s), clock)
