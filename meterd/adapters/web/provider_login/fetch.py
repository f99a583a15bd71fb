"""One HTTP request to a provider, with a limit of time for the whole of it and of size. Redirects are not followed."""

import http.client
import json
import socket
import ssl
import threading
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode, urlsplit

from meterd import __version__
from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.core.errors import without
from meterd.core.model.login import Login

LARGEST = 262_144  # bytes of an answer: keys and tokens have a few kB
LOOPBACK = ("localhost", "127.0.0.1", "::1")


def fetch_json(
    url: str,
    login: Login,
    *,
    form: Mapping[str, str] | None = None,
    headers: Mapping[str, str] | None = None,
    hidden: tuple[str, ...] = (),
) -> dict[str, Any]:
    """The JSON object that is there, or that a form is answered with.

    LoginFailed for everything else; its words hold nothing of what is `hidden`.
    """
    code, content = _fetch(url, login, form, {"Accept": "application/json", **(headers or {})})
    try:
        values = json.loads(content)
    except (ValueError, RecursionError) as exc:
        raise LoginFailed("wrong", f"{url} answers {code} with something that is not JSON") from exc
    if not isinstance(values, dict):
        raise LoginFailed("wrong", f"{url} answers {code} with JSON that is no object")
    if code != 200:
        reason = " ".join(str(values[key]) for key in ("error", "error_description") if key in values)
        raise LoginFailed("away" if code >= 500 else "wrong", f"{url} answers {code}: {without(reason, *hidden)[:200]}")
    return values


def safe(url: object) -> bool:
    """Whether nobody on the way can read or change what is asked there: TLS, or this machine."""
    if not isinstance(url, str) or not url.isascii() or not url.isprintable() or " " in url:
        return False
    try:
        parts = urlsplit(url)
        return bool(parts.hostname) and (
            parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
        )
    except ValueError:
        return False


def _fetch(url: str, login: Login, form: Mapping[str, str] | None, headers: Mapping[str, str]) -> tuple[int, bytes]:
    late = threading.Event()
    try:
        connection = _connection(url, login)
        try:
            connection.connect()
            # a limit for each byte would let a slow provider keep a person waiting for ever
            alarm = threading.Timer(login.timeout_s, _cut, (connection.sock, late))
            alarm.daemon = True
            alarm.start()
            try:
                return _exchange(connection, url, form, headers)
            finally:
                alarm.cancel()
                if late.is_set():
                    raise LoginFailed("away", f"no whole answer of {url} within {login.timeout_s} s")
        finally:
            connection.close()
    except (OSError, http.client.HTTPException, ValueError) as exc:  # time-outs and TLS errors are OSErrors
        raise LoginFailed("away", f"{url} cannot be reached: {str(exc)[:200] or type(exc).__name__}") from exc


def _connection(url: str, login: Login) -> http.client.HTTPConnection:
    parts = urlsplit(url)
    assert parts.hostname, "safe() was asked first"
    if parts.scheme == "http":
        return http.client.HTTPConnection(parts.hostname, parts.port, timeout=login.timeout_s)
    context = ssl.create_default_context(cafile=login.ca_file or None)
    return http.client.HTTPSConnection(parts.hostname, parts.port, timeout=login.timeout_s, context=context)


def _exchange(
    connection: http.client.HTTPConnection, url: str, form: Mapping[str, str] | None, headers: Mapping[str, str]
) -> tuple[int, bytes]:
    parts = urlsplit(url)
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    all_headers = {"User-Agent": f"meterd/{__version__}", **headers}
    if form is None:
        connection.request("GET", target, headers=all_headers)
    else:
        all_headers["Content-Type"] = "application/x-www-form-urlencoded"
        connection.request("POST", target, urlencode(form), all_headers)
    with connection.getresponse() as answer:
        content = answer.read(LARGEST + 1)
    if len(content) > LARGEST:
        raise LoginFailed("wrong", f"{url} answers with more than {LARGEST} bytes")
    return answer.status, content


def _cut(sock: socket.socket, late: threading.Event) -> None:
    late.set()
    try:
        socket.socket.shutdown(sock, socket.SHUT_RDWR)
    except OSError:
        return  # it has ended by itself meanwhile
