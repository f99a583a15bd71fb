"""Logins on their way: bound to a browser, once, for a while, and never so many that others wait."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import cast

import pytest

from meterd.adapters.web.backend import UserRole, WebBackend
from meterd.adapters.web.provider_login.attempts import (
    AT_ONCE,
    MOST_BEGUN,
    MOST_BEGUN_EACH,
    MOST_REPORTED,
    REPORT_S,
    RETURN_S,
    ProviderLogins,
    role_of,
    title_of,
)
from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.core.errors import ConfigError
from meterd.core.model.login import Login
from meterd.core.model.plan import Site
from tests.adapters.web.provider_login.false_provider import NOW_S, FalseProvider, lying

BACK = "http://127.0.0.1:8480/login/return"
ANSWER = {"code": "c", "iss": "", "error": "", "description": ""}


@dataclass
class Backend:
    """As much of a daemon as a login needs."""

    site: Site
    secrets: list[str] = field(default_factory=lambda: ["flour"])

    def now_ms(self) -> int:
        return NOW_S * 1000

    def login_secret(self) -> str:
        if not self.secrets:
            raise ConfigError("environment variable MILL with the client secret of [login] is not set")
        return self.secrets[-1]


class Hands:
    """A clock that is moved by hand."""

    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Rig:
    """A provider, a backend, a clock, and the logins between them."""

    false: FalseProvider
    backend: Backend
    hands: Hands
    logins: ProviderLogins

    def begin(self, address: str = "10.0.0.1", to: str = "/pv") -> tuple[str, str]:
        """State and browser of a login that the provider answers honestly."""
        where, browser = self.logins.begin(BACK, to, address)
        query = dict(part.split("=", 1) for part in where.partition("?")[2].split("&"))
        self.false.claims["nonce"] = query["nonce"]
        return query["state"], browser


@pytest.fixture
def rig() -> Iterator[Rig]:
    with lying() as false:
        backend, hands = Backend(Site("mill", "Europe/Vienna", login=false.login)), Hands()
        yield Rig(false, backend, hands, ProviderLogins(cast(WebBackend, backend), hands))


def failed(rig: Rig, state: str, browser: str, answer: dict[str, str] = ANSWER) -> str:
    with pytest.raises(LoginFailed) as refused:
        rig.logins.finish(state, browser, answer)
    return refused.value.kind


def test_a_person_comes_in_once_with_the_name_of_their_provider(rig: Rig) -> None:
    """For a shift, or as long as the token; the same answer a second time is refused."""
    state, browser = rig.begin()
    arrived = rig.logins.finish(state, browser, ANSWER)
    assert (arrived.name, arrived.subject, arrived.role, arrived.to) == (
        "anna (127.0.0.1)",
        "s-1",
        UserRole.CHANGE,
        "/pv",
    )
    assert arrived.until_ms == (NOW_S + 28_800) * 1000
    assert failed(rig, state, browser) == "state"
    rig.backend.site = replace(rig.backend.site, login=replace(rig.false.login, session_s=0, title="Mill login"))
    arrived = rig.logins.finish(*rig.begin(), ANSWER)
    assert (arrived.name, arrived.until_ms) == ("anna (Mill login)", (NOW_S + 300) * 1000)


def test_what_does_not_belong_to_this_browser_and_moment_is_refused(rig: Rig) -> None:
    """Another browser, no browser, an invented state, one that is too old, a plan that has changed meanwhile."""
    first, _ = rig.begin()
    assert failed(rig, first, "of somebody else") == "state"
    second, _ = rig.begin()
    assert failed(rig, second, "") == "state"
    assert failed(rig, "invented", "") == "state"
    old, browser = rig.begin()
    rig.hands.now_s += RETURN_S + 1
    assert failed(rig, old, browser) == "state"
    state, browser = rig.begin()
    rig.backend.site = replace(rig.backend.site, login=replace(rig.false.login, client_id="other"))
    assert failed(rig, state, browser) == "state"
    assert "/token" not in rig.false.asked, "the provider is not asked about any of them"


def test_who_is_refused_or_has_no_role_stays_out(rig: Rig) -> None:
    """The role of no value that the plan does not name; the highest of several."""
    assert failed(rig, *rig.begin(), {**ANSWER, "error": "access_denied"}) == "denied"
    rig.false.claims["roles"] = ["bakers"]
    with pytest.raises(
        LoginFailed, match=r"anna \(127\.0\.0\.1\) has none of the roles of the plan: roles holds \['bakers'\]"
    ):
        rig.logins.finish(*rig.begin(), ANSWER)
    login = rig.false.login
    assert role_of(("staff", "electricians", "x"), login) is UserRole.CHANGE
    assert role_of(("staff",), login) is UserRole.LOOK
    assert role_of((), login) is None
    assert title_of(Login("https://login.mill.example/a")) == "login.mill.example"


def test_a_secret_that_is_not_there_is_told(rig: Rig) -> None:
    """When it is needed; it may come while the daemon runs."""
    rig.backend.secrets.clear()
    with pytest.raises(LoginFailed, match="variable MILL with the client secret") as refused:
        rig.logins.finish(*rig.begin(), ANSWER)
    assert refused.value.kind == "wrong"
    rig.backend.secrets.append("flour")
    assert rig.logins.finish(*rig.begin(), ANSWER).role is UserRole.CHANGE


def test_only_a_few_wait_for_the_provider_at_once(rig: Rig) -> None:
    """The next one is told so at once, and a turn that ended is free again."""
    turns = [rig.logins._turn() for _ in range(AT_ONCE)]
    for turn in turns:
        turn.__enter__()
    with pytest.raises(LoginFailed) as refused:
        rig.logins.begin(BACK, "/now", "10.0.0.1")
    assert refused.value.kind == "busy"
    for turn in turns:
        turn.__exit__(None, None, None)
    rig.begin()


def test_the_same_failure_is_a_line_of_the_log_once_a_minute(rig: Rig) -> None:
    """Of each person and kind, and of a hundred of them at most."""
    away, anna = LoginFailed("away", "x"), LoginFailed("role", "x", person="anna")
    assert [rig.logins.worth_a_line(item) for item in (away, away, anna, anna)] == [True, False, True, False]
    for number in range(MOST_REPORTED):
        rig.logins.worth_a_line(LoginFailed("role", "x", person=str(number)))
    assert not rig.logins.worth_a_line(LoginFailed("busy", "x"))
    rig.hands.now_s += REPORT_S
    assert rig.logins.worth_a_line(away)


def test_logins_on_their_way_are_bounded_and_one_address_takes_no_place_of_others(rig: Rig) -> None:
    first, browser = rig.begin("10.0.0.2")
    for _ in range(MOST_BEGUN_EACH + 5):
        rig.begin("10.0.0.1")
    rig.begin("10.0.0.2")
    assert len(rig.logins._begun) == MOST_BEGUN_EACH + 2
    for number in range(MOST_BEGUN):
        rig.begin(f"10.1.{number // 250}.{number % 250}")
    assert len(rig.logins._begun) == MOST_BEGUN
    assert failed(rig, first, browser) == "state"
