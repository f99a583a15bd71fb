"""The example for a proxy with a path, run by the real nginx in front of a running daemon."""

import json
import re
import secrets
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import expect, sync_playwright

from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import MOST_GUESSES, UserFile
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import Child, write_plan

pytestmark = pytest.mark.slow
EXAMPLE = Path(__file__).parents[2] / "docker" / "nginx.conf"
NGINX, CHROMIUM = "/usr/sbin/nginx", "/usr/bin/chromium-headless-shell"
WORD = "flour and chalk"
MAIN = """\
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{ worker_connections 64; }}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    include {folder}/site.conf;
}}
"""


@dataclass(frozen=True)
class Proxied:
    """The page behind the proxy and the page itself, and whom to trust."""

    outside: str
    inside: str
    trust: ssl.SSLContext


def certificate(folder: Path) -> Path:
    """A certificate for localhost and its key."""
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost", "-keyout", folder / "page.key", "-out", folder / "page.crt"],
        check=True, capture_output=True,
    )  # fmt: skip
    return folder / "page.crt"


def configure(folder: Path, port: int, page: int) -> Path:
    """The example with the ports and files of this test, and what surrounds it on any machine."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for was, now in (
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"), ("meters.mill.example;\n    ssl", "localhost;\n    ssl"),
        ("/etc/nginx/tls", str(folder)), ("127.0.0.1:8480;", f"127.0.0.1:{page};"),
    ):  # fmt: skip
        assert was in text, was
        text = text.replace(was, now)
    (folder / "site.conf").write_text(text, encoding="utf-8")
    (folder / "nginx.conf").write_text(MAIN.format(folder=folder), encoding="utf-8")
    return folder / "nginx.conf"


def page_line(port: int, certificate: Path | None = None) -> str:
    """The line of the plan that the example asks for, with the port of this test."""
    (wanted,) = re.findall(r"The plan needs: \[page\] (.*)$", EXAMPLE.read_text(encoding="utf-8"), re.M)
    line = wanted.replace("8480", str(port)).replace("meters.mill.example", "localhost")
    if certificate is not None:
        line += f', cert_file = "{certificate}", key_file = "{certificate.with_suffix(".key")}"'
    return f"page = {{ {line} }}\n"


def planned(folder: Path, broker: Mosquitto, page: str) -> Path:
    """The plan of the mill with this page."""
    plan = write_plan(folder / "plan", broker.port)
    plan.write_text(page + plan.read_text(encoding="utf-8"), encoding="utf-8")
    return plan


def answers(address: str, trust: ssl.SSLContext) -> bool:
    """Whether somebody speaks there."""
    with suppress(httpx.TransportError):
        return httpx.get(address, verify=trust).status_code < 500
    return False


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    """A daemon with a page, and nginx by the example in front of it."""
    folder = tmp_path_factory.mktemp("nginx")
    page, port = free_port(), free_port()
    trust = ssl.create_default_context(cafile=str(certificate(folder)))
    store = folder / "mill.sqlite"
    UserFile(store.with_name(store.name + ".users")).keep("look", UserRole.LOOK, WORD)
    config = configure(folder, port, page)
    with Mosquitto() as broker, Child(planned(folder, broker, page_line(page)), store):
        proxy = subprocess.Popen([NGINX, "-p", str(folder), "-c", str(config), "-e", str(folder / "start.log")])
        try:
            outside = f"https://localhost:{port}/energy"
            assert until(lambda: answers(f"{outside}/ready", trust) or answers(f"{outside}/health", trust), 60)
            assert until(lambda: httpx.get(f"{outside}/api/now", verify=trust).status_code == 200, 60)
            yield Proxied(outside, f"http://127.0.0.1:{page}", trust)
        finally:
            proxy.terminate()
            proxy.wait(10)


def test_login_links_and_stream_work_below_the_path(proxied: Proxied) -> None:
    """A redirect stays below the path, the cookie travels only there and only over TLS, the stream comes through."""
    with httpx.Client(verify=proxied.trust, timeout=30) as client:
        bare = client.get(proxied.outside)
        assert (bare.status_code, bare.headers["location"].removesuffix("/")) == (301, proxied.outside)
        assert client.get(f"{proxied.outside}/").headers["location"] == "/energy/now"
        form = {"name": "look", "password": WORD, "to": "/findings"}
        origin = {"origin": proxied.outside.removesuffix("/energy")}
        response = client.post(f"{proxied.outside}/login", data=form, headers=origin)
        assert (response.status_code, response.headers["location"]) == (303, "/energy/findings"), response.text
        cookie = response.headers["set-cookie"]
        assert cookie.startswith("meterd_session_mill=")
        assert {"Secure", "Path=/energy", "HttpOnly", "SameSite=lax"} <= set(cookie.split("; "))
        assert client.get(f"{proxied.outside}/documents").status_code == 200, "the cookie came back"
        with client.stream("GET", f"{proxied.outside}/stream") as answer:
            line = next(item for item in answer.iter_lines() if item.startswith("data: "))
        assert "power" in json.loads(line[6:])


def test_a_browser_behind_the_proxy_is_live(proxied: Proxied) -> None:
    """Styles, scripts and stream are found, a click stays inside, and nothing is refused."""
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_context(ignore_https_errors=True).new_page()
        wrong: list[str] = []
        page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
        page.goto(f"{proxied.outside}/now")
        expect(page.locator("[data-line]")).to_contain_text("live", timeout=30_000)
        page.click("nav >> text=Balance")
        page.wait_for_url(f"{proxied.outside}/balance")
        assert page.locator("main h1").evaluate("one => getComputedStyle(one).fontWeight") != "400"
        browser.close()
    assert wrong == []


def test_people_behind_the_proxy_are_distinguished(proxied: Proxied) -> None:
    """What a browser claims in X-Forwarded-For is replaced by the proxy, and evades no wait."""
    form = {"name": "look", "password": "no"}
    # another address with each run, or a second one would have to wait from its beginning
    person = httpx.HTTPTransport(verify=proxied.trust, local_address=f"127.0.{secrets.randbelow(200)}.7")
    with httpx.Client(transport=person, timeout=30) as client:
        codes = [
            client.post(f"{proxied.outside}/login", data=form, headers={"x-forwarded-for": f"10.0.0.{i}"}).status_code
            for i in range(MOST_GUESSES + 1)
        ]
    assert codes == [401] * MOST_GUESSES + [429]
    here = httpx.post(
        f"{proxied.inside}/login", data={"name": "look", "password": WORD}, headers={"x-forwarded-for": "10.9.9.9"}
    )
    assert here.status_code == 303, "another address"


def test_the_health_check_of_the_container_answers_with_tls(tmp_path: Path) -> None:
    """The words of the Dockerfile, word for word but for the port, against a page with a certificate."""
    text = (EXAMPLE.parent / "Dockerfile").read_text(encoding="utf-8")
    (message,) = re.findall(r"^    CMD \[(.*)\]$", text, re.M)
    page = free_port()
    line = page_line(page, certificate(tmp_path))
    program = sys.executable
    command = [program, "-m", "meterd.app.cli.main", *json.loads(f"[{message}]")[1:]]
    command = [item.replace("8480", str(page)) for item in command]

    def ask() -> subprocess.CompletedProcess[str]:
        return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    with Mosquitto() as broker, Child(planned(tmp_path, broker, line), tmp_path / "mill.sqlite"):
        assert until(lambda: ask().returncode == 0, 60), ask().stderr
    assert ask().returncode == 1, "nobody answers"
