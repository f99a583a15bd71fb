"""A daemon with its page: findings and figures are asked of it as a person or a program would."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.runtime.clock import Clock
from meterd.app.daemon.web_backend import served
from meterd.core.model.plan import Page, Site
from tests.brokers import until
from tests.faults.mill import Here, running


@dataclass(frozen=True, slots=True)
class PageClient:
    """A running daemon and the address of its page."""

    here: Here
    address: str

    def page_values(self, name: str, **params: str | int) -> Any:
        """A page as programs get it; None as long as there is nothing to show."""
        try:
            answer = httpx.get(f"{self.address}/api/{name}", params=params, timeout=30)
        except httpx.TransportError:
            return None
        return answer.json() if answer.status_code == 200 else None

    def html(self, name: str, language: str, **params: str | int) -> str:
        """A page as a person gets it in a language."""
        headers = {"Accept-Language": language}
        return httpx.get(f"{self.address}/{name}", params=params, headers=headers, timeout=30).raise_for_status().text

    def findings(self) -> dict[str, Any]:
        """Open findings as the page lists them, by id, most urgent first."""
        page_values = self.page_values("findings")
        return {} if page_values is None else {item["id"]: item for item in page_values["entries"]}

    def has(self, name: str, limit_s: float = 60.0) -> bool:
        """Wait for a finding on the page."""
        return until(lambda: name in self.findings(), limit_s)

    def looks_again(self, limit_s: float = 60.0) -> bool:
        """Wait until findings were looked for with everything that is known by now."""
        shot = self.here.daemon.snapshot
        since = 0 if shot is None else shot.now_ms
        return until(lambda: (s := self.here.daemon.snapshot) is not None and s.now_ms > since + 3_000, limit_s)


@contextmanager
def asked(plan: Site, path: Path, clock: Clock | None = None) -> Iterator[PageClient]:
    """A daemon with its page while the `with` block lasts."""
    port = free_port()
    with running(replace(plan, page=Page(port=port)), path, clock) as here, served(here.daemon) as address:
        page_client = PageClient(here, address.rstrip("/"))
        assert until(lambda: page_client.page_values("now") is not None, 60), "the page does not answer"
        yield page_client
