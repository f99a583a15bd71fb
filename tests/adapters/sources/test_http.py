"""Meters behind HTTP: a real web server that gives JSON, SenML and numbers, with password and TLS, and devices that misbehave."""

import json
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from meterd.adapters.sources import PAYLOAD_LIMIT
from meterd.adapters.sources.http import HttpSource, address_fault, settings_for
from meterd.app.cli.main import main
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Source
from tests.adapters.sources.devices import TcpDevice
from tests.adapters.sources.lines import Option, Taking, plan, running
from tests.brokers import free_port, until

HEAD = b"HTTP/1.1 200 OK\r\n"
NGINX = """\
daemon off; master_process off; pid {folder}/nginx.pid; error_log {folder}/nginx.log;
events {{ worker_connections 64; }}
http {{
  access_log off; client_body_temp_path {folder}/b; proxy_temp_path {folder}/p; fastcgi_temp_path {folder}/f;
  uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  server {{
    listen 127.0.0.1:{port}; listen 127.0.0.1:{tls} ssl; root {folder}/values;
    ssl_certificate {folder}/meter.crt; ssl_certificate_key {folder}/meter.key;
    location /shut {{ auth_basic "meter"; auth_basic_user_file {folder}/users; }}
    location = /old {{ return 302 /new/place; }}
  }}
}}
"""


@dataclass(frozen=True)
class Server:
    """Ports of a running nginx, and the folder of its values."""

    port: int
    tls: int
    folder: Path

    def give(self, path: str, text: str) -> None:
        """Answer with this text from now on."""
        file = self.folder / "values" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        (self.folder / "new").write_text(text, encoding="utf-8")
        (self.folder / "new").replace(file)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """Nginx with a certificate of its own."""
    folder = tmp_path_factory.mktemp("meter")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
         "-addext", "subjectAltName=DNS:localhost", "-keyout", folder / "meter.key", "-out", folder / "meter.crt"],
        check=True, capture_output=True,
    )  # fmt: skip
    (folder / "users").write_text("reader:{PLAIN}flour and chalk\n", encoding="utf-8")
    (folder / "values").mkdir()
    folder.chmod(0o755)
    made = Server(free_port(), free_port(), folder)
    config = folder / "nginx.conf"
    config.write_text(NGINX.format(folder=folder, port=made.port, tls=made.tls), encoding="utf-8")
    program = shutil.which("nginx", path="/usr/sbin:/usr/bin:/usr/local/bin")
    assert program, "these tests need nginx: see .ci/setup"
    with subprocess.Popen([program, "-p", folder, "-c", config, "-e", folder / "e.log"]) as process:
        try:
            assert until(lambda: (folder / "nginx.pid").exists() and (folder / "nginx.pid").read_text(), 30)
            yield made
        finally:
            process.kill()


def source(port: int, *inputs: Input, **options: Option) -> HttpSource:
    site = plan("http", port, inputs, **options)
    return HttpSource(site.sources[0], site)


def energy(path: str, field: str = "", register: str = "1.8.0", unit: str = "kWh") -> Input:
    return Input("q01", register, "line", path, field, unit)


def refusal(taking: Taking) -> str:
    assert until(lambda: bool(taking.source.refused()), 20), taking.source.error
    return next(iter(taking.source.refused().values())).reason


def test_json_senml_and_plain_numbers_of_a_real_server(server: Server) -> None:
    """One answer serves all inputs of its path; a device time and a unit that are sent are believed."""
    server.give("status", json.dumps({"meters": [{"total": 1234.5, "power": -3.25}]}))
    server.give("pack", json.dumps([{"bn": "urn:q02:", "n": "import", "u": "Wh", "v": 5000, "bver": 26}]))
    server.give("plain", " 17 \n")
    inputs = (
        energy("/status", "/meters/0/total"),
        energy("/status", "/meters/0/power", "16.7.0", "kW"),
        Input("q02", "1.8.0", "line", "/pack", "urn:q02:import"),
        Input("q03", "1.8.0", "line", "/plain", "", "Wh"),
    )
    with running(source(server.port, *inputs)) as taking:
        values = {
            key: taking.reading(*key, limit_s=20).value
            for key in (("q01", "1.8.0"), ("q01", "16.7.0"), ("q02", "1.8.0"), ("q03", "1.8.0"))
        }
    assert values == {
        ("q01", "1.8.0"): 1_234_500_000, ("q01", "16.7.0"): -3250.0, ("q02", "1.8.0"): 5_000_000, ("q03", "1.8.0"): 17_000,
    }  # fmt: skip


def test_password_and_tls_of_a_real_server(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """And a server that is not trusted is never asked."""
    server.give("shut/value", "21.5")
    monkeypatch.setenv("METER_WORD", "flour and chalk")
    trusted: dict[str, Option] = {"host": "localhost", "tls": True, "ca_file": str(server.folder / "meter.crt")}
    word: dict[str, Option] = {"username": "reader", "password_env": "METER_WORD"}
    with running(source(server.tls, energy("/shut/value"), timeout_s=5.0, **trusted, **word)) as taking:
        assert taking.reading(limit_s=20).value == 21_500_000
    with running(source(server.tls, energy("/shut/value"), timeout_s=5.0, **trusted)) as taking:
        assert "HTTP status 401 (Unauthorized); are username and password right?" in refusal(taking)
    strange: dict[str, Option] = {"host": "localhost", "tls": True}
    with running(source(server.tls, energy("/shut/value"), timeout_s=5.0, **strange, **word)) as taking:
        assert until(lambda: "certificate" in taking.source.error, 20), taking.source.error
        assert not taking.drain()


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("/missing", "/missing is answered with HTTP status 404 (Not Found); is the path right?"),
        ("/old", "HTTP status 302 (Found): write host, tls and address of http"),
        ("/words", "no valid JSON"),
    ],
)
def test_what_is_no_value_is_refused_with_its_reason(server: Server, path: str, text: str) -> None:
    server.give("words", '{"total": twelve}')
    with running(source(server.port, energy(path, "/total"))) as taking:
        assert text in refusal(taking)
        assert not taking.drain()


@pytest.mark.parametrize(
    ("answer", "count"),
    [
        ((b"\x00\xff garbage\r\n\r\n",), "garbage"),
        ((HEAD + b"Content-Length: 40\r\n\r\n12", None), "garbage"),
        ((HEAD + b"Content-Length: 2\r\n\r\n1", 2.0), "timeouts"),
        ((None,), "lost"),
        ((HEAD + b"\r\n" + b"9" * (PAYLOAD_LIMIT + 1), None), "garbage"),
    ],
)
def test_answers_that_are_none_are_counted_and_the_next_good_one_counts(
    answer: tuple[bytes | float | None, ...], count: str
) -> None:
    """Nonsense, cut short, late, hung up, without end."""
    with TcpDevice(lambda _request: answer) as device, running(source(device.port, energy("/v"))) as taking:
        assert until(lambda: taking.source.counters()[count] > 0, 20), taking.source.counters()
        assert not taking.drain()
        device.answer = lambda _request: (HEAD + b"Content-Length: 3\r\n\r\n2.5", None)
        assert taking.reading(limit_s=20).value == 2_500_000


def test_a_late_answer_is_never_taken_for_the_next(server: Server) -> None:
    """Each answer has its own connection."""
    numbers = iter(range(1, 1000))

    def late(_request: bytes) -> tuple[bytes | float | None, ...]:
        number = next(numbers)
        body = HEAD + f"Content-Length: {len(str(number))}\r\n\r\n{number}".encode()
        return (0.6, body, None) if number == 1 else (body, None)

    with TcpDevice(late) as device, running(source(device.port, energy("/v"))) as taking:
        assert taking.reading(limit_s=20).value == 2_000_000


@pytest.mark.parametrize("address", ["", "status", "http://10.0.0.5/status", "/a b", "/a#b", "/ä", "/" + "a" * 3000])
def test_an_address_is_a_path(address: str) -> None:
    fault = address_fault(address)
    assert fault is not None
    assert "write one such as /status" in fault[1]
    assert address_fault("/rpc/meter?id=0&x=%20") is None


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({}, "host is missing"),
        ({"host": "m", "port": 70_000}, "port is 1 to 65535"),
        ({"host": "m", "ca_file": "x"}, "ca_file is for tls = true"),
        ({"host": "m", "password_env": "X"}, "a password is given without username"),
        ({"host": "m", "username": "a:b"}, "must not have a colon"),
        ({"host": "m", "time_unit": "min"}, "time_unit is one of"),
    ],
)
def test_options_that_cannot_work_are_named(options: dict[str, Option], text: str) -> None:
    with pytest.raises(ConfigError, match=text):
        settings_for(Source("line", "http", tuple(options.items())))


def test_probe_shows_every_number_with_the_field_that_reads_it(
    server: Server, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a plan; the address is the path."""
    server.give("status", json.dumps({"meters": [{"total": 1234.5, "power": 900.5}]}))
    address = f"http://127.0.0.1:{server.port}/status"
    assert main(["probe", address, "--field", "/meters/0/power"]) == 0, capsys.readouterr().err
    output = capsys.readouterr().out
    assert "/status, HTTP status 200" in output
    for text in ("/meters/0/total", "1234.5", "/meters/0/power", "read as 16.7.0", "900.500 W"):
        assert text in output
