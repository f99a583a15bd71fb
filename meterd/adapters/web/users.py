"""Who may see and do what: users with hashed passwords, sessions in memory, tokens of forms, a limit on guesses.

A user may have an end: from that moment the account is as if it were not there, for logins and for open sessions.

The users stand in a file of their own beside the store, readable by its owner only. Sessions end with the daemon: whoever
was logged in logs in again. Passwords are hashed with Argon2id by argon2-cffi and its defaults (RFC 9106, low memory).
"""

import hmac
import json
import os
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError

from meterd.adapters.runtime.backoff import backoff_s
from meterd.adapters.web.backend import UserRole
from meterd.core.errors import ConfigError
from meterd.core.model.finding import refused_text
from meterd.core.model.login import Login
from meterd.core.model.plan import Site

IDLE_S = 8 * 3600.0  # a shift: a session without a look for so long ends
LONGEST_S = 7 * 86_400.0  # and any session after a week
MOST_SESSIONS = 1_000  # the oldest give way
MOST_GUESSES = 5  # wrong passwords for one name from one address before it must wait
WAIT_S = 30.0  # doubled with every further guess ...
WAIT_MOST_S = 900.0  # ... up to a quarter hour: a person who forgot is not locked out for the night
REMEMBERED = 10_000  # pairs of name and address whose guesses are counted
HASHES_AT_ONCE = 2  # each takes 64 MiB and a core for some 50 ms: ten thousand guesses wait for each other
SHORTEST_PASSWORD, LONGEST_PASSWORD = 10, 200  # characters; hashing a megabyte would stop the machine


@dataclass(frozen=True, slots=True)
class User:
    """One person: name, role, the hash of the password, and from when on they may no longer log in."""

    name: str
    role: UserRole
    hashed: str
    until_ms: int | None = None

    def over(self, now_ms: int) -> bool:
        """Whether the access of this person has ended."""
        return self.until_ms is not None and now_ms >= self.until_ms


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who has logged in; times on the monotonic clock."""

    user: str
    role: UserRole
    hashed: str  # a changed password ends the sessions that began with the old one
    token: str  # in every form of this session
    begun_s: float
    seen_s: float
    login: Login | None = None  # the settings of the provider that proved who this is; another plan ends the session
    until_ms: int = 0  # with a provider: when the session ends at the latest


def users_path(site: Site, store: Path) -> Path:
    """Where the users of the page stand."""
    return Path(site.page.users_file) if site.page.users_file else store.with_name(store.name + ".users")


class UserFile:
    """The users of a site. Every look reads the file again if it has changed, so that a removed user is out at once."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._hasher = PasswordHasher()
        self._hashing = threading.BoundedSemaphore(HASHES_AT_ONCE)
        self._nobody = ""  # unknown names take as long as known ones: made by the first login, whoever tries it
        self._stamp: tuple[int, int] | None = None
        self._users: dict[str, User] = {}

    def users(self) -> dict[str, User]:
        """All users by name; ConfigError if the file is there and cannot be read."""
        try:
            result = self.path.stat()
        except FileNotFoundError:
            self._stamp, self._users = None, {}
            return {}
        stamp = (result.st_mtime_ns, result.st_size)
        if stamp != self._stamp:
            self._users = self._read()
            self._stamp = stamp
        return self._users

    def _read(self) -> dict[str, User]:
        try:
            rows = json.loads(self.path.read_text(encoding="utf-8"))
            return {row["name"]: _user(row) for row in rows}
        except (OSError, ValueError, KeyError, TypeError) as exc:
            raise ConfigError(
                f"cannot read the users in {self.path}: {exc}; create it again with `meterd user`"
            ) from exc

    def keep(self, name: str, role: UserRole, password: str, *, until_ms: int | None = None) -> None:
        """Add a user or set role, password and end anew; ConfigError for what cannot be."""
        if reason := refused_text(name):
            raise ConfigError(f"the name cannot be stored: {reason}")
        if role is UserRole.OPEN:
            raise ConfigError("role open needs no login; give look, acknowledge or change")
        if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
            raise ConfigError(f"a password has {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} characters")
        self._write({**self.users(), name: User(name, role, self._hasher.hash(password), until_ms)})

    def change(self, name: str, role: UserRole, until_ms: int | None) -> None:
        """Set role and end of a user who keeps the password; ConfigError if there is none of that name."""
        self._write({**self.users(), name: replace(self.named(name), role=role, until_ms=until_ms)})

    def named(self, name: str) -> User:
        """The user of that name; ConfigError if there is none."""
        user = self.users().get(name)
        if user is None:
            raise ConfigError(f"there is no user {name!r}; known: {', '.join(sorted(self.users())) or 'none'}")
        return user

    def remove(self, name: str) -> None:
        """Take a user away; ConfigError if there is none of that name."""
        self.named(name)
        self._write({key: user for key, user in self.users().items() if key != name})

    def _write(self, users: dict[str, User]) -> None:
        rows = [_row(user) for user in sorted(users.values(), key=_by_name)]
        fresh = self.path.with_name(self.path.name + ".new")
        with suppress(FileNotFoundError):
            fresh.unlink()
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(rows, file, indent=1, ensure_ascii=False)
            file.flush()
            os.fsync(file.fileno())
        os.replace(fresh, self.path)

    def check(self, name: str, password: str) -> User | None:
        """The user if the password is right. Takes the same time whether the name is known or not."""
        user = self.users().get(name)
        with self._hashing:
            self._nobody = self._nobody or self._hasher.hash(secrets.token_hex(16))
            try:
                self._hasher.verify(self._nobody if user is None else user.hashed, password[:LONGEST_PASSWORD])
            except (VerifyMismatchError, VerificationError, InvalidHashError):
                return None
        return user


def _user(row: dict[str, Any]) -> User:
    until_ms = row.get("until_ms")
    if not isinstance(until_ms, int | None):
        raise ValueError("until_ms is not a whole number")
    return User(row["name"], UserRole(row["role"]), row["hashed"], until_ms)


def _row(user: User) -> dict[str, Any]:
    ends = {} if user.until_ms is None else {"until_ms": user.until_ms}
    return {"name": user.name, "role": str(user.role), "hashed": user.hashed, **ends}


def _by_name(user: User) -> str:
    return user.name


class FailedLogins:
    """Counts wrong passwords by name and address together; after a few each further one has to wait longer."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._counted: dict[str, tuple[int, float]] = {}  # how many, and until when it has to wait
        self._lock = threading.Lock()

    def wait_s(self, *keys: str) -> float:
        """How long none of these may try again, 0 if they may."""
        now = self._clock()
        with self._lock:
            return max(0.0, *(self._counted.get(key, (0, now))[1] - now for key in keys))

    def wrong(self, *keys: str) -> None:
        """Count a wrong password."""
        now = self._clock()
        with self._lock:
            for key in keys:
                count, until = self._counted.pop(key, (0, 0.0))
                if now - until > WAIT_MOST_S and count:
                    count = 0  # long forgotten
                count += 1
                over = count - MOST_GUESSES
                wait = 0.0 if over < 0 else backoff_s(over + 1, first_s=WAIT_S, most_s=WAIT_MOST_S)
                self._counted[key] = (count, now + wait)
            while len(self._counted) > REMEMBERED:
                self._counted.pop(next(iter(self._counted)))

    def right(self, *keys: str) -> None:
        """Forget the wrong ones."""
        with self._lock:
            for key in keys:
                self._counted.pop(key, None)


class Sessions:
    """Who is logged in, by the secret of their cookie. `now_ms` is the daemon's clock: it says when an access ends.

    `login` gives the provider that the plan names now.
    """

    def __init__(
        self,
        users: UserFile,
        now_ms: Callable[[], int],
        clock: Callable[[], float] = time.monotonic,
        *,
        login: Callable[[], Login] = Login,
    ) -> None:
        self._users = users
        self._login = login
        self._now_ms = now_ms
        self._clock = clock
        self._open: dict[str, Session] = {}
        self._lock = threading.Lock()

    def begin(self, user: User) -> str:
        """A new session; returns the secret for the cookie."""
        now = self._clock()
        return self._add(Session(user.name, user.role, user.hashed, secrets.token_urlsafe(24), now, now))

    def begin_by_provider(self, name: str, role: UserRole, *, until_ms: int, login: Login) -> str:
        """A new session of somebody whom a provider knows; returns the secret for the cookie."""
        now = self._clock()
        return self._add(Session(name, role, "", secrets.token_urlsafe(24), now, now, login=login, until_ms=until_ms))

    def _add(self, session: Session) -> str:
        secret = secrets.token_urlsafe(32)
        with self._lock:
            self._open[secret] = session
            while len(self._open) > MOST_SESSIONS:
                self._open.pop(next(iter(self._open)))
        return secret

    def of(self, secret: str) -> Session | None:
        """The session of a cookie, with the role its user has now; None if it is over or its user is gone."""
        now = self._clock()
        with self._lock:
            session = self._valid(secret, now)
            if session is not None:
                session = self._open[secret] = replace(session, seen_s=now)
            return session

    def peek(self, secret: str) -> Session | None:
        """The same without counting as a look: an open stream keeps nobody logged in."""
        with self._lock:
            return self._valid(secret, self._clock())

    def _valid(self, secret: str, now: float) -> Session | None:
        session = self._open.get(secret)
        if session is None:
            return None
        over = now - session.seen_s > IDLE_S or now - session.begun_s > LONGEST_S
        role = None if over else self._role_now(session)
        if role is None:
            del self._open[secret]
            return None
        return replace(session, role=role)

    def _role_now(self, session: Session) -> UserRole | None:
        """The role that this person has by now; None for whose access has ended."""
        if session.login is not None:
            good = session.login == self._login() and self._now_ms() < session.until_ms
            return session.role if good else None
        user = self._users.users().get(session.user)
        ended = user is None or user.hashed != session.hashed or user.over(self._now_ms())
        return None if user is None or ended else user.role

    def end(self, secret: str) -> None:
        """Log out."""
        with self._lock:
            self._open.pop(secret, None)


def same(item: str, other: str) -> bool:
    """Whether two tokens are equal, in a time that does not tell where they differ."""
    return bool(item) and hmac.compare_digest(item.encode(), other.encode())
