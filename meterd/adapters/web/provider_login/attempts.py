"""Logins that have begun and not returned yet, and the roles of who returns. Bounded in number, time and turns."""

import secrets
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from meterd.adapters.web.backend import UserRole, WebBackend
from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.core.errors import ConfigError
from meterd.core.model.login import Login

if TYPE_CHECKING:
    from meterd.adapters.web.provider_login.provider import Attempt, Provider

RETURN_S = 600.0  # for a password and a second factor at the provider
MOST_BEGUN = 2_000  # logins on their way; the oldest give way ...
MOST_BEGUN_EACH = 100  # ... of one address, before those of others
REPORT_S = 60.0  # between two lines of the log about the same failure of the same person: anybody can make them
MOST_REPORTED = 100  # failures that are remembered for this; while there are so many, no new one is a line
AT_ONCE = 4  # threads of the page that may wait for the provider: it has forty


@dataclass(frozen=True, slots=True)
class _Begun:
    """A login on its way: which browser began it, from which address, and where it wants to go."""

    browser: str
    address: str
    to: str
    attempt: "Attempt"
    login: Login
    begun_s: float


@dataclass(frozen=True, slots=True)
class Arrived:
    """A person who may come in."""

    name: str
    subject: str
    role: UserRole
    until_ms: int
    to: str
    login: Login


class ProviderLogins:
    """Begins and ends logins by the provider of the plan that is in force."""

    def __init__(self, backend: WebBackend, clock: Callable[[], float] = time.monotonic) -> None:
        self._backend = backend
        self._clock = clock
        self._begun: dict[str, _Begun] = {}
        self._provider: Provider | None = None
        self._reported: dict[tuple[str, str], float] = {}
        self._turns = threading.BoundedSemaphore(AT_ONCE)
        self._lock = threading.Lock()

    def begin(self, redirect_uri: str, to: str, address: str) -> tuple[str, str]:
        """Where to send a person who wants to come in, and the secret for the cookie of their browser."""
        from meterd.adapters.web.provider_login.provider import Attempt

        attempt = Attempt(redirect_uri, secrets.token_urlsafe(24), secrets.token_urlsafe(48))
        state, browser = secrets.token_urlsafe(24), secrets.token_urlsafe(24)
        with self._turn() as provider:
            where = provider.begin(attempt, state)
            login = provider.login
        with self._lock:
            self._make_room(address)
            self._begun[state] = _Begun(browser, address, to, attempt, login, self._clock())
        return where, browser

    def finish(self, state: str, browser: str, answer: dict[str, str]) -> Arrived:
        """Who has returned with this state to this browser; LoginFailed for whoever may not come in. A state counts once."""
        with self._lock:
            begun = self._begun.pop(state, None)
        if begun is None or self._clock() - begun.begun_s > RETURN_S:
            raise LoginFailed("state", "the answer belongs to no login that has begun and not ended")
        if not secrets.compare_digest(begun.browser.encode(), browser.encode()):
            raise LoginFailed("state", "the answer comes back to another browser than the one that began")
        if begun.login != self._backend.site.login:
            raise LoginFailed("state", "the plan has changed its provider since the login began")
        if answer["error"]:
            raise LoginFailed(
                "denied", f"the provider answers {answer['error'][:100]!r}: {answer['description'][:200]!r}"
            )
        with self._turn() as provider:
            person = provider.person(answer["code"], begun.attempt, answer["iss"])
        name = f"{person.name} ({title_of(begun.login)})"  # never the name of a user account of this site
        role = role_of(person.values, begun.login)
        if role is None:
            text = f"{name} has none of the roles of the plan: {begun.login.roles_claim} holds {list(person.values)!r:.300}"
            raise LoginFailed("role", text, person=name)
        now_ms = self._backend.now_ms()
        until_ms = now_ms + begun.login.session_s * 1000 if begun.login.session_s else person.until_ms
        return Arrived(name, person.subject, role, until_ms, begun.to, begun.login)

    def worth_a_line(self, failure: LoginFailed) -> bool:
        """Whether this failure goes into the log of the program, which must not be filled by whoever asks without end."""
        now, key = self._clock(), (failure.kind, failure.person)
        with self._lock:
            self._reported = {item: at for item, at in self._reported.items() if now - at < REPORT_S}
            if key in self._reported or len(self._reported) >= MOST_REPORTED:
                return False
            self._reported[key] = now
            return True

    @contextmanager
    def _turn(self) -> Iterator["Provider"]:
        """The provider, for one of the few who may wait for it at once."""
        from meterd.adapters.web.provider_login.provider import Provider

        if not self._turns.acquire(blocking=False):
            raise LoginFailed("busy", f"{AT_ONCE} logins wait for the provider already")
        try:
            login = self._backend.site.login
            with self._lock:
                if self._provider is None or self._provider.login != login:
                    self._provider = Provider(login, self._secret, self._backend.now_ms)
                provider = self._provider
            yield provider
        finally:
            self._turns.release()

    def _secret(self) -> str:
        try:
            return self._backend.login_secret()
        except ConfigError as exc:
            raise LoginFailed("wrong", str(exc)) from exc

    def _make_room(self, address: str) -> None:
        now = self._clock()
        for state in [state for state, item in self._begun.items() if now - item.begun_s > RETURN_S]:
            del self._begun[state]
        own = [state for state, item in self._begun.items() if item.address == address]
        for state in own[: max(0, len(own) + 1 - MOST_BEGUN_EACH)]:
            del self._begun[state]
        while len(self._begun) >= MOST_BEGUN:
            del self._begun[next(iter(self._begun))]


def title_of(login: Login) -> str:
    """What people call the provider."""
    return login.title or urlsplit(login.issuer).hostname or login.issuer


def role_of(values: tuple[str, ...], login: Login) -> UserRole | None:
    """The highest role that the plan gives to one of these values; None without one."""
    roles = [UserRole(role) for value, role in login.roles if value in values]
    return max(roles, key=lambda role: role.rank, default=None)
