"""The login by a provider as a browser does it: a running daemon, and a provider that others have written."""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import pytest

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.runtime.people_log import acts_of, people_log_path
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile
from meterd.app.daemon.web_backend import served
from meterd.core.model.login import Login
from meterd.core.model.plan import Page
from tests.adapters.web.provider_login.false_provider import lying
from tests.adapters.web.web_backends import kept, small_site
from tests.app.commands import CONFIG
from tests.identity_provider import CLIENT, SECRET
from tests.programs import Program

LIMIT_S = 60.0
WORD = "flour and chalk"


@dataclass(frozen=True)
class Site:
    """A daemon with a page that asks for a login, and its provider."""

    address: str
    issuer: str
    provider: "subprocess.Popen[str]"
    log: Path

    def at_the_keyboard(self, name: str) -> None:
        """Who is logged in at the provider."""
        httpx.put(f"{self.issuer}/as/{name}")

    def browser(self, language: str = "en") -> httpx.Client:
        """A browser that follows redirects, over both hosts, with a jar of its own."""
        return httpx.Client(
            base_url=self.address, follow_redirects=True, headers={"accept-language": language}, timeout=30
        )


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """For tests that leave its provider alone."""
    with site_in(tmp_path_factory.mktemp("site")) as result:
        yield result


@contextmanager
def site_in(folder: Path) -> Iterator[Site]:
    """The small plan with a login by a provider, and a user account."""
    page, issuer = free_port(), free_port()
    plan = folder / "site.toml"
    text = (
        (CONFIG / "small.toml")
        .read_text()
        .replace("{ embedded = true }", f"{{ embedded = true, port = {free_port()} }}")
    )
    plan.write_text(
        f'{text}\n[page]\nport = {page}\nopen = false\n\n[login]\nissuer = "http://127.0.0.1:{issuer}"\n'
        f'client_id = "{CLIENT}"\nclient_secret_env = "MILL_SECRET"\ntitle = "Mill login"\ntimeout_s = 10\n'
        'roles_claim = "groups"\n'
        'roles = { "mill-electricians" = "change", "mill-staff" = "look" }\n'
    )
    UserFile(folder / "gate-works.sqlite.users").keep("ada", UserRole.LOOK, WORD)
    back = f"http://127.0.0.1:{page}/login/return"
    command = [sys.executable, "-m", "tests.identity_provider", str(issuer), back]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as provider:
        daemon = Program(["run", str(plan)], folder / "log", env={"MILL_SECRET": SECRET})
        try:
            assert provider.stdout is not None, "a pipe was asked for"
            assert provider.stdout.readline() == "ready\n"
            result = Site(f"http://127.0.0.1:{page}", f"http://127.0.0.1:{issuer}", provider, folder / "log")
            _served(result.address, folder / "log")
            yield result
        finally:
            daemon.kill()
            provider.kill()


def _served(address: str, log: Path) -> None:
    """Its pages, not only its port: for a moment after the start they say that nothing has been computed yet."""
    end = time.monotonic() + LIMIT_S
    while time.monotonic() < end:
        with suppress(httpx.TransportError):
            if httpx.get(f"{address}/ready").status_code == 200:
                return
        time.sleep(0.1)
    raise AssertionError(log.read_text())


def test_a_person_with_a_role_comes_in_by_the_button(site: Site) -> None:
    """To the page that was asked for, with the role of the plan; logged out, the way is closed."""
    site.at_the_keyboard("anna")
    people = people_log_path(site.log.with_name("gate-works.sqlite"))
    before = len(acts_of(people)) if people.exists() else 0
    with site.browser() as browser:
        asked = browser.get("/findings?state=new")
        assert asked.url.path == "/login"
        assert "Log in with Mill login" in asked.text
        came = browser.get("/login/begin", params={"to": "/findings?state=new"})
        assert (came.status_code, str(came.url)) == (200, f"{site.address}/findings?state=new")
        assert [httpx.URL(answer.headers["location"]).path for answer in came.history] == [
            "/authorization", "/login/return", "/findings",
        ]  # fmt: skip
        assert "anna (Mill login)" in came.text
        assert browser.get("/change").status_code == 200, "the role is change"
        assert "HttpOnly" in came.history[-1].headers["set-cookie"]
        assert SECRET not in came.text + site.log.read_text()
        token = came.text.partition('name="token" value="')[2].partition('"')[0]
        browser.post("/logout", data={"token": token})
        assert browser.get("/api/now").status_code == 401
    acts = acts_of(people)[before:]
    assert [(act.kind, act.person, act.address) for act in acts] == [
        (kind, "anna (Mill login)", "127.0.0.1") for kind in ("login", "logout")
    ]
    assert "role change" in acts[0].what


def test_a_person_without_a_role_is_told_in_their_language(site: Site) -> None:
    """The operator reads in the log which values they have; the user accounts of the site still work."""
    site.at_the_keyboard("bert")
    with site.browser("de") as browser:
        refused = browser.get("/login/begin")
        assert refused.status_code == 403
        assert "Mill login kennt Sie, aber Sie haben an dieser Anlage keine Rolle." in refused.text
        assert browser.get("/api/now").status_code == 401
        browser.post("/login", data={"name": "ada", "password": WORD})
        assert browser.get("/api/now").status_code == 200
    assert "bert (Mill login) has none of the roles of the plan: groups holds ['bakers']" in site.log.read_text()


def test_an_answer_counts_once_and_in_its_own_browser(site: Site) -> None:
    """A replayed address and a stolen one open nothing; a way out of the page is not taken."""
    site.at_the_keyboard("carla")
    with site.browser() as browser, site.browser() as thief:
        came = browser.get("/login/begin", params={"to": "https://elsewhere.example/now"})
        assert str(came.url) == f"{site.address}/now"
        assert browser.get("/change").status_code == 403, "the role is look"
        answer = str(came.history[-1].url)
        assert "/login/return?" in answer
        for who in (browser, thief):
            again = who.get(answer)
            assert again.status_code == 400
            assert "This login is out of date or was used already." in again.text
        sent = thief.get("/login/begin", follow_redirects=False).headers["location"]
        stolen = httpx.get(sent).headers["location"]
        with site.browser() as victim:
            assert victim.get(stolen).status_code == 400
            assert victim.get("/api/now").status_code == 401


def test_the_provider_sends_nobody_back_to_a_host_that_it_does_not_know(site: Site) -> None:
    """The page is reached by another address here than the one that the provider has on its list."""
    sent = httpx.get(f"{site.address}/login/begin", headers={"host": "127.0.0.9"}).headers["location"]
    assert "127.0.0.9" in sent
    assert httpx.get(sent).status_code == 400


def test_a_provider_that_is_away_is_told_at_once_the_second_time(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """In words for the person and a line for the operator; without [login] there is no way and no button."""
    away = Login(
        f"http://127.0.0.1:{free_port()}", "meters", title="Mill login", roles=(("staff", "look"),), timeout_s=1
    )
    site = small_site(Page(port=free_port(), path="/energy"))
    with served(kept(replace(site, login=away), tmp_path / "a.sqlite")) as address:
        for _ in range(3):
            refused = httpx.get(f"{address}energy/login/begin")
            assert refused.status_code == 503
            assert "Mill login does not answer." in refused.text
        assert 'href="/energy/login/begin?to=/now"' in refused.text
    assert caplog.text.count("cannot be reached") == 1
    with served(kept(site, tmp_path / "b.sqlite")) as address:
        assert httpx.get(f"{address}login/begin").status_code == 404
        assert "login/begin" not in httpx.get(f"{address}login").text


def test_behind_a_proxy_the_way_back_bears_its_path_and_scheme(tmp_path: Path) -> None:
    """As the provider has it on its list: https and the path that the proxy puts before ours."""
    with lying() as false:
        page = Page(port=free_port(), path="/energy", hosts=("meters.mill.example",), proxies=("127.0.0.1",))
        site = replace(small_site(page), login=false.login)
        with served(kept(site, tmp_path / "p.sqlite")) as address:
            headers = {"host": "meters.mill.example", "x-forwarded-proto": "https"}
            sent = httpx.get(f"{address}login/begin", headers=headers)
        back = httpx.URL(sent.headers["location"]).params["redirect_uri"]
        assert back == "https://meters.mill.example/energy/login/return"
        assert "Secure" in sent.headers["set-cookie"]
        assert "Path=/energy" in sent.headers["set-cookie"]


def test_without_its_provider_the_page_and_its_accounts_go_on(tmp_path: Path) -> None:
    """Who is in stays in."""
    with site_in(tmp_path) as site, site.browser() as anna, site.browser() as ada:
        site.at_the_keyboard("anna")
        anna.get("/login/begin")
        assert anna.get("/api/now").status_code == 200
        site.provider.kill()
        site.provider.wait()
        # its settings are known for an hour: the person is sent there, and comes back with nothing
        assert ada.get("/login/begin", follow_redirects=False).status_code == 303
        lost = ada.get("/login/return", params={"error": "temporarily_unavailable", "state": "x"})
        assert lost.status_code == 400
        ada.post("/login", data={"name": "ada", "password": WORD})
        assert ada.get("/api/now").status_code == 200
        assert anna.get("/api/now").status_code == 200
