"""The page over a real socket: who gets what, and what a hostile request meets."""

import json
import re
import socket
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from meterd.adapters.texts import wording
from meterd.adapters.web.app import NO_ANSWER, NO_PAGE
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.guard import LARGEST_BODY
from meterd.adapters.web.registry import PAGES
from meterd.adapters.web.request_context import MOST_STREAMS_EACH
from meterd.adapters.web.users import MOST_GUESSES, UserFile
from tests.adapters.web.web_backends import serving

pytestmark = pytest.mark.slow
WORD = "flour and chalk"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the store of the small site lies, with a user per role."""
    path = tmp_path_factory.mktemp("web") / "gate-works.sqlite"
    users = UserFile(path.with_name(path.name + ".users"))
    for role in (UserRole.LOOK, UserRole.ACKNOWLEDGE, UserRole.CHANGE):
        users.keep(str(role), role, WORD)
    return path


@pytest.fixture(scope="module")
def open_page(store: Path) -> Iterator[str]:
    """A page that everyone may look at."""
    with serving(store) as address:
        yield address


@contextmanager
def came_in(address: str, name: str) -> Iterator[httpx.Client]:
    """A client that has logged in."""
    with httpx.Client(base_url=address, timeout=60) as client:
        answer = client.post("/login", data={"name": name, "password": WORD})
        assert answer.status_code == 303, answer.text
        yield client


def token_of(client: httpx.Client) -> str:
    """The token in the forms of its session."""
    match = re.search(r'name="token" value="([^"]+)"', client.get("/now").text)
    assert match is not None
    return match[1]


def test_every_page_answers_people_and_programs(open_page: str) -> None:
    """HTML without a script in it, and the same values as JSON."""
    with httpx.Client(base_url=open_page, timeout=60) as client:
        for page_entry in PAGES:
            if page_entry.role is not UserRole.OPEN:
                continue
            response = client.get(page_entry.path)
            assert response.status_code in (200, 404, 422), (
                f"{page_entry.path}: {response.status_code} {response.text[:300]}"
            )
            assert "<script>" not in response.text
            assert client.get(f"/api{page_entry.path}").status_code == response.status_code


def test_browsers_are_told_to_be_careful(open_page: str) -> None:
    """Only our own files, never in a frame, nothing in a cache that others see; no word about the server."""
    answer = httpx.get(f"{open_page}/now")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert "server" not in answer.headers


def test_words_from_outside_are_escaped(open_page: str) -> None:
    """The text of a finding is text, whatever stands in it."""
    reported = httpx.get(f"{open_page}/now").text
    assert "<b>silent</b>" not in reported
    assert "&lt;b&gt;silent&lt;/b&gt; &amp; late" in reported


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "", "127.0.0.1.evil.example"])
def test_a_name_that_is_not_ours_is_refused(open_page: str, host: str) -> None:
    """A page of elsewhere may point its name at this address; its requests bear that name."""
    assert httpx.get(f"{open_page}/now", headers={"host": host}).status_code in (400, 421)


def test_a_large_body_is_refused_with_and_without_its_length(open_page: str) -> None:
    """A form is small."""
    assert httpx.post(f"{open_page}/login", content=b"x" * (LARGEST_BODY + 1)).status_code == 413
    pieces = (b"name=" + b"x" * 1000 for _ in range(100))
    form = {"content-type": "application/x-www-form-urlencoded"}
    assert httpx.post(f"{open_page}/login", content=pieces, headers=form).status_code in (400, 413, 422)


def test_a_wrong_password_is_reported_and_after_some_it_has_to_wait(store: Path) -> None:
    """The same words for a wrong name and a wrong password; then 429, also with the right one; nobody else waits."""
    with serving(store) as address:
        answers = [
            httpx.post(f"{address}/login", data={"name": "look", "password": f"no {i}"}) for i in range(MOST_GUESSES)
        ]
        assert [a.status_code for a in answers] == [401] * MOST_GUESSES
        unknown = httpx.post(f"{address}/login", data={"name": "nobody", "password": "no"})
        late = httpx.post(f"{address}/login", data={"name": "look", "password": WORD})
        other = httpx.post(f"{address}/login", data={"name": "change", "password": WORD})
        elsewhere = httpx.Client(transport=httpx.HTTPTransport(local_address="127.0.0.2"), base_url=address)
        with elsewhere as client:
            same_name = client.post("/login", data={"name": "look", "password": WORD})
    assert unknown.status_code == 401
    assert (
        unknown.text.count("The name or the password is wrong")
        == answers[0].text.count("The name or the password is wrong")
        == 1
    )
    assert late.status_code == 429
    assert "Wait" in late.text
    assert (other.status_code, same_name.status_code) == (303, 303)


def test_nobody_is_believed_who_he_says_he_asks_for_but_the_proxies_of_the_plan(store: Path) -> None:
    """`X-Forwarded-For` neither evades the wait nor, from a proxy that is named, lets one wait for the others."""

    def tries(address: str, forwarded: str) -> int:
        form = {"name": "look", "password": "no"}
        return httpx.post(f"{address}/login", data=form, headers={"x-forwarded-for": forwarded}).status_code

    with serving(store) as address:
        assert [tries(address, f"10.0.0.{i}") for i in range(MOST_GUESSES + 1)] == [401] * MOST_GUESSES + [429]
    with serving(store, proxies=("127.0.0.1",)) as address:
        assert [tries(address, "10.0.0.1") for _ in range(MOST_GUESSES + 1)] == [401] * MOST_GUESSES + [429]
        assert tries(address, "10.0.0.2") == 401
        assert tries(address, "10.0.0.77, 10.0.0.1") == 429, "what the asker wrote before the proxy counts for nothing"


def test_the_cookie_is_out_of_reach_of_scripts_and_other_pages(open_page: str) -> None:
    """HttpOnly; by site; a link in a mail opens logged in, so SameSite=Lax: a form of elsewhere sends no cookie."""
    answer = httpx.post(f"{open_page}/login", data={"name": "look", "password": WORD})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert cookie.startswith("meterd_session_gate-works=")
    assert "secure" not in cookie


@pytest.mark.parametrize("to", ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:x", "/a\nb"])
def test_login_leads_to_no_page_of_elsewhere(open_page: str, to: str) -> None:
    """Whatever the address said."""
    answer = httpx.post(f"{open_page}/login", data={"name": "look", "password": WORD, "to": to})
    assert answer.headers["location"] == "/now"


@pytest.mark.parametrize(
    "headers",
    [{"origin": "https://evil.example"}, {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}],
)
def test_forms_of_elsewhere_are_refused(open_page: str, headers: dict[str, str]) -> None:
    """Login, logout, language and orders alike, with the cookie of somebody who is logged in."""
    with came_in(open_page, "change") as client:
        token = token_of(client)
        for path in ("/login", "/logout", "/language", "/order"):
            answer = client.post(path, data={"token": token, "language": "de"}, headers=headers)
            assert answer.status_code == 403, path


def test_an_order_needs_login_role_and_token(open_page: str) -> None:
    """401 for nobody, 403 for who may only look or has no token."""
    order = {"kind": "see", "what": "stale-joinery"}
    assert httpx.post(f"{open_page}/order", data=order).status_code == 401
    with came_in(open_page, "look") as client:
        assert client.post("/order", data={**order, "token": token_of(client)}).status_code == 403
    with came_in(open_page, "acknowledge") as client:
        assert client.post("/order", data=order).status_code == 403
        assert client.post("/order", data={**order, "token": "x" * 32}).status_code == 403
        assert client.post("/order", data={**order, "token": token_of(client)}).status_code == 303


@pytest.mark.parametrize(
    ("form", "message"),
    [
        ({"kind": "explain", "what": "stale-joinery", "note": ""}, "note"),
        ({"kind": "delete", "what": "stale-joinery"}, "seen, explained, closed or accepted"),
        ({"kind": "see", "what": "no-such-finding"}, "no-such-finding"),
        ({"kind": "see", "what": "../../etc/passwd"}, ""),
    ],
)
def test_an_order_that_cannot_be_is_reported_why(open_page: str, form: dict[str, str], message: str) -> None:
    """In words, and nothing breaks."""
    with came_in(open_page, "acknowledge") as client:
        answer = client.post("/order", data={**form, "token": token_of(client)})
    assert answer.status_code == 409
    assert message in answer.text


def test_a_closed_page_shows_nothing_without_login(store: Path) -> None:
    """People are led to the door, programs get 401, the stream too; health stays for those who watch the program."""
    with serving(store, open=False) as address:
        response = httpx.get(f"{address}/now")
        assert (response.status_code, response.headers["location"]) == (303, "/login?to=/now")
        assert httpx.get(f"{address}/api/now").status_code == 401
        assert httpx.get(f"{address}/stream").status_code == 401
        assert httpx.get(f"{address}/health").status_code == 200
        with came_in(address, "look") as client:
            assert client.get("/now").status_code == 200


def test_a_link_that_is_opened_without_login_leads_to_the_login_with_its_hint_and_then_to_its_page(store: Path) -> None:
    """As a link in a mail: who has no account reads whom to ask, and no command of the machine; who has one gets there."""
    link = "/findings?id=stale-joinery"
    with (
        serving(store, open=False) as address,
        httpx.Client(base_url=address, timeout=60, follow_redirects=True) as client,
    ):
        english = client.get(link)
        assert (english.status_code, english.url.path) == (200, "/login")
        assert "Ask the operator of this site for one." in english.text
        assert "Fragen Sie den Betreiber dieser Anlage." in client.get(link, headers={"accept-language": "de"}).text
        assert "meterd user" not in english.text
        match = re.search(r'action="/login".*?name="to" value="([^"]+)"', english.text, re.DOTALL)
        assert match is not None
        form = {"name": "look", "password": WORD, "to": match[1]}
        arrived = client.post("/login", data=form)
        assert (arrived.status_code, str(arrived.url).removeprefix(address)) == (200, link)


def test_what_is_not_there_is_reported_to_people_and_programs(open_page: str) -> None:
    """404 as a page and as JSON."""
    assert "Back to the first page" in httpx.get(f"{open_page}/nowhere").text
    german = httpx.get(f"{open_page}/nowhere", headers={"Accept-Language": "de"})
    assert (german.status_code, "Not Found" in german.text) == (404, False)
    assert "unter dieser Adresse gibt es keine Seite" in german.text
    assert httpx.get(f"{open_page}/api/nowhere").json() == {"detail": "Not Found"}


def test_a_point_that_is_not_there_leads_to_the_nearest(open_page: str) -> None:
    """By its title for people, by its name for programs; also where the reasons of a figure are asked for."""
    for address in ("point?point=joinry", "why?point=joinry"):
        english, german = (
            httpx.get(f"{open_page}/{address}", headers={"Accept-Language": language}) for language in ("en", "de")
        )
        assert (english.status_code, german.status_code) == (404, 404)
        assert "the plan has no point joinry; did you mean Joinery?" in english.text
        assert "der Messplan hat keine Messstelle joinry; ist Joinery gemeint?" in german.text
        answer = httpx.get(f"{open_page}/api/{address}").json()
        assert answer == {"detail": "the plan has no point joinry; did you mean joinery?"}
    assert "did you mean" not in httpx.get(f"{open_page}/point?point=zzzz").text


@pytest.mark.parametrize(
    "path", ["/static/../web.py", "/static/%2e%2e/web.py", "/static/..%2f..%2fsite.py", "/static//etc/passwd"]
)
def test_files_outside_are_not_served(open_page: str, path: str) -> None:
    """Whatever the way is spelt like."""
    host, port = open_page.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=5) as line:
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        text = b"".join(iter(lambda: line.recv(4096), b""))
    assert text.split(b" ")[1] == b"404"


def test_the_stream_tells_the_snapshot_and_has_an_end(open_page: str) -> None:
    """The first event comes at once; one address cannot take all places."""
    with httpx.Client(base_url=open_page, timeout=5) as client:
        with client.stream("GET", "/stream") as answer:
            lines = answer.iter_lines()
            event = next(line for line in lines if line.startswith("data: "))
            assert json.loads(event[6:])["power"]["draw"] == 6000
        with ExitStack() as held:
            for _ in range(MOST_STREAMS_EACH):
                held.enter_context(client.stream("GET", "/stream"))
            assert client.get("/stream").status_code == 503


def test_health_is_for_machines(open_page: str) -> None:
    """Alive but not yet at work, as JSON; and OpenMetrics text that ends as the standard asks."""
    assert httpx.get(f"{open_page}/health").status_code == 200
    asked = httpx.get(f"{open_page}/ready")
    assert asked.status_code == 503
    assert "it is starting" in asked.json()["ready"]["reasons"]
    metrics = httpx.get(f"{open_page}/metrics")
    assert metrics.headers["content-type"].startswith("application/openmetrics-text")
    assert metrics.text.endswith("# EOF\n")


def test_with_a_certificate_the_page_is_https_and_its_cookies_stay_there(store: Path, tmp_path: Path) -> None:
    """TLS with the plan's certificate; the cookie is marked Secure; browsers are told to stay with HTTPS."""
    key, cert = tmp_path / "key.pem", tmp_path / "cert.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", cert],
        check=True, capture_output=True,
    )  # fmt: skip
    trust = ssl.create_default_context(cafile=str(cert))
    with serving(store, cert_file=str(cert), key_file=str(key)) as address:
        assert address.startswith("https://")
        answer = httpx.post(f"{address}/login", data={"name": "look", "password": WORD}, verify=trust)
    assert "secure" in answer.headers["set-cookie"].lower()
    assert answer.headers["strict-transport-security"].startswith("max-age=")


@pytest.mark.parametrize("sentence", [NO_ANSWER, NO_PAGE])
def test_sentences_of_the_page_itself_have_german(sentence: str) -> None:
    """Found by looking: a German page that failed said so in English."""
    assert wording.translated_line("en", sentence, ZoneInfo("UTC")) == sentence
    assert wording.translated_line("de", sentence, ZoneInfo("UTC")) != sentence
