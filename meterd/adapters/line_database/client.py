"""A time-series database behind the line-protocol write interface, version 2, of influxdb-client: synchronous only.

The client's batching mode is not used: with the server away it drops what it was given without a word, its `flush` does
nothing, and a bad line takes its whole batch along (influxdb-client 1.50.0). Only status 204 counts as stored; the client
itself is content with any 2xx, which a login page of a proxy gives too.
"""

import json
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import quote_plus, urlencode

import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from influxdb_client.service.write_service import WriteService

from meterd.adapters.line_database.responses import STORED, Answer, NotReadable
from meterd.core.errors import without
from meterd.core.model.plan import LineStore
from meterd.core.topics.line_protocol import CANARY

_WORDS = 300  # characters of a server's answer that are repeated
_TEXT = "text/plain; charset=utf-8"


class Database:
    """One bucket of one server. For one thread."""

    def __init__(self, settings: LineStore, token: str) -> None:
        self._settings = settings
        self._token = token
        password = token.partition(":")[2]  # of an older server; in an address it is written otherwise
        self._secrets = (token, password, quote_plus(password))
        self._old = False  # it knows only the interface of version 1
        self._authorization = {"Authorization": f"Token {token}"} if token else {}
        client: Any = InfluxDBClient  # the package has no types that hold
        self._client = client(
            url=settings.url,
            token=token or None,
            org=settings.org,
            timeout=settings.timeout_s * 1000,
            ssl_ca_cert=settings.ca_file or None,
            retries=False,
            enable_gzip=False,
        )
        service: Any = WriteService
        self._service = service(self._client.api_client)

    def close(self) -> None:
        """End the connections."""
        self._client.close()

    def write(self, lines: Sequence[str]) -> Answer:
        """Write lines with times in milliseconds; the answer says what became of them, nothing is raised."""
        if self._old:
            return self._write_old(lines)
        try:
            _, status, _ = self._service.post_write_with_http_info(
                org=self._settings.org,
                bucket=self._settings.bucket,
                body="\n".join(lines).encode(),
                precision="ms",
                content_type=_TEXT,
            )
        except ApiException as exc:
            if exc.status == 404 and self._is_old(exc.body):
                return self._write_old(lines)
            return Answer(exc.status or 0, self._answer_text(exc.body or exc.reason), _retry_after(exc.headers))
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            return Answer(0, _named(exc))
        return Answer(int(status), "" if status == STORED else f"status {status} instead of 204")

    @staticmethod
    def _is_old(body: object) -> bool:
        """Whether an answer 404 says that there is no such address, as InfluxDB before 1.8, and not that there is no bucket."""
        text = body.decode(errors="replace") if isinstance(body, bytes) else str(body or "")
        return "404 page not found" in text

    def _write_old(self, lines: Sequence[str]) -> Answer:
        """By the address of version 1 of the interface; a token there is user:password."""
        arguments = {"db": self._settings.bucket, "precision": "ms"} | self._old_user()
        try:
            result = self._client.api_client.rest_client.pool_manager.request(
                "POST",
                f"{self._settings.url.rstrip('/')}/write?{urlencode(arguments)}",
                body="\n".join(lines).encode(),
                headers={**self._authorization, "Content-Type": _TEXT},
                timeout=self._settings.timeout_s,
                retries=False,
            )
        except urllib3.exceptions.HTTPError as exc:
            return Answer(0, without(_named(exc), *self._secrets))
        self._old = result.status != 404
        if result.status == STORED:
            return Answer(STORED, "")
        return Answer(result.status, self._answer_text(result.data), _retry_after(result.headers))

    def _old_user(self) -> dict[str, str]:
        """Who we are to a server that knows no tokens, which refuses the header of one: before version 1.7."""
        user, _, password = self._token.partition(":")
        return {"u": user, "p": password} if password else {}

    def canaries(self, site: str, from_ms: int) -> set[tuple[int, int]]:
        """Numbers and times of the site's canaries since a moment. (After a restored backup a number may come again.)

        Raises NotReadable if the server does not let us read, OSError if it does not answer.
        """
        if self._settings.read_back == "export":
            return self._exported(site, from_ms)
        query = f'SELECT "number" FROM "{CANARY}" WHERE "site" = \'{site}\' AND time >= {from_ms}ms'
        body = self._get("/query", {"db": self._settings.bucket, "q": query, "epoch": "ms"})
        try:
            result = json.loads(body)["results"][0]
            if "error" in result:
                raise NotReadable(without(str(result["error"]), *self._secrets)[:_WORDS])
            return {(int(row[1]), int(row[0])) for series in result.get("series", ()) for row in series["values"]}
        except (ValueError, KeyError, IndexError, TypeError) as exc:
            raise NotReadable(f"not an answer to a query: {self._answer_text(body)}") from exc

    def _exported(self, site: str, from_ms: int) -> set[tuple[int, int]]:
        match = f'{{__name__="{CANARY}_number",site="{site}"}}'
        body = self._get("/api/v1/export", {"match[]": match, "start": f"{from_ms / 1000:.3f}"})
        try:
            results = [json.loads(text) for text in body.splitlines()]
            return {
                (int(n), int(at)) for item in results for n, at in zip(item["values"], item["timestamps"], strict=True)
            }
        except (ValueError, KeyError, TypeError) as exc:
            raise NotReadable(f"not an export: {self._answer_text(body)}") from exc

    def _ask(self, path: str, arguments: dict[str, str], headers: dict[str, str]) -> Any:
        try:
            return self._client.api_client.rest_client.pool_manager.request(
                "GET",
                self._settings.url.rstrip("/") + path,
                fields=arguments,
                headers=headers,
                timeout=self._settings.timeout_s,
                retries=False,
            )
        except urllib3.exceptions.HTTPError as exc:
            raise OSError(without(_named(exc), *self._secrets)) from exc

    def _get(self, path: str, arguments: dict[str, str]) -> str:
        result = self._ask(path, arguments, self._authorization)
        if result.status == 401 and self._old_user():
            result = self._ask(path, arguments | self._old_user(), {})
        text: str = result.data.decode(errors="replace")
        if result.status >= 500 or result.status == 429:
            raise OSError(f"status {result.status}: {self._answer_text(text)}")
        if result.status != 200:
            raise NotReadable(f"status {result.status}: {self._answer_text(text)}")
        return text

    def _answer_text(self, body: object) -> str:
        """The words of a server, which may quote the token it was given."""
        return _server_words(
            without(body.decode(errors="replace") if isinstance(body, bytes) else str(body or ""), *self._secrets)
        )


def _server_words(body: object) -> str:
    """The words of an error body of either version, in one line."""
    text = body.decode(errors="replace") if isinstance(body, bytes) else str(body or "")
    try:
        result = json.loads(text)
        text = str(result.get("message") or result.get("error") or text) if isinstance(result, dict) else text
    except ValueError:
        pass
    if text.lstrip().startswith("<"):  # a page of a proxy in between
        text = re.sub(r"<[^>]*>", " ", text)
    return " ".join(text.split())[:_WORDS] or "no words"


def _named(exc: BaseException) -> str:
    """A failed connection without the memory addresses that the library puts into it."""
    return f"{type(exc).__name__}: {_server_words(re.sub(r'<[^>]*>(?:: )?', '', str(exc)))}"


def _retry_after(headers: object) -> float | None:
    """Seconds of a Retry-After header: a number, or a date (RFC 9110)."""
    value = headers.get("Retry-After") if hasattr(headers, "get") else None
    if not isinstance(value, str):
        return None
    try:
        return max(0.0, float(value))
    except ValueError:
        pass
    try:
        return max(0.0, (parsedate_to_datetime(value) - datetime.now(UTC)).total_seconds())
    except (ValueError, TypeError):
        return None
