"""Real servers for the line store, as child processes on free ports, and a strict small one for answers they do not give.

InfluxDB 1 of Debian stores and judges, nginx in front of it speaks version 2 of the write interface and asks for the token.
"""

import contextlib
import json
import shutil
import socket
import subprocess
import tempfile
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from tests.brokers import free_port, until

TOKEN, BUCKET = "a-token-for-tests", "mill"
START_LIMIT_S = 30.0
_INFLUX = """\
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
  index-version = "inmem"
[monitor]
  store-enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
  auth-enabled = {auth}
"""
_NGINX = """\
daemon off; master_process off; pid {folder}/nginx.pid; error_log {folder}/nginx.log;
events {{ worker_connections 64; }}
http {{
  access_log off; client_max_body_size 16m; client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/f; uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  map $arg_precision $p1 {{ default n; ns n; us u; ms ms; s s; }}
  map $http_authorization $allowed {{ default 0; "Token {token}" 1; }}
  server {{
    listen 127.0.0.1:{port};
    location = /api/v2/write {{
      if ($allowed = 0) {{ return 401 '{{"code":"unauthorized","message":"unauthorized access"}}'; }}
      set $args "db=$arg_bucket&precision=$p1"; rewrite ^ /write break; proxy_pass http://127.0.0.1:{behind};
    }}
    location = /query {{
      if ($allowed = 0) {{ return 401 '{{"code":"unauthorized","message":"unauthorized access"}}'; }}
      proxy_pass http://127.0.0.1:{behind};
    }}
  }}
}}
"""


def _program(name: str) -> str:
    result = shutil.which(name, path="/usr/bin:/usr/sbin:/usr/local/bin")
    assert result, f"these tests need {name}: see .ci/setup"
    return result


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=0.2):
        return True
    return False


class _Children:
    """Child processes in a temporary folder while a `with` block lasts."""

    def __init__(self) -> None:
        self.folder = Path()
        self._processes: dict[str, subprocess.Popen[bytes]] = {}

    def __enter__(self) -> "_Children":
        self.folder = Path(tempfile.mkdtemp(prefix="database-"))
        return self

    def __exit__(self, *_exc: object) -> None:
        for name in list(self._processes):
            self.kill(name)
        shutil.rmtree(self.folder, ignore_errors=True)

    def run(self, name: str, command: list[str], port: int) -> None:
        """Start and wait until it listens."""
        with (self.folder / f"{name}.log").open("ab") as log:
            self._processes[name] = subprocess.Popen(command, stdout=log, stderr=log, cwd=self.folder)
        text = (self.folder / f"{name}.log").read_text(errors="replace")
        assert until(lambda: _answers(port), START_LIMIT_S), f"{name} does not start: {text[-2000:]}"

    def kill(self, name: str) -> None:
        """End it without a word."""
        process = self._processes.pop(name)
        process.kill()
        process.wait(START_LIMIT_S)


class Influx:
    """The database behind its proxy. `url` is where the writer goes; `ask` looks past the proxy."""

    def __init__(self) -> None:
        self._children = _Children()
        self._behind, self.port, self._rpc = free_port(), free_port(), free_port()
        self.url = f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> "Influx":
        self._children.__enter__()
        folder = self._children.folder
        (folder / "influx.conf").write_text(
            _INFLUX.format(folder=folder, port=self._behind, rpc=self._rpc, auth="false")
        )
        (folder / "nginx.conf").write_text(
            _NGINX.format(folder=folder, port=self.port, behind=self._behind, token=TOKEN)
        )
        nginx = [_program("nginx"), "-p", str(folder), "-c", str(folder / "nginx.conf"), "-e", str(folder / "e.log")]
        self._children.run("nginx", nginx, self.port)
        self.start()
        self.create()
        return self

    def __exit__(self, *exc: object) -> None:
        self._children.__exit__(*exc)

    def start(self) -> None:
        """Start on what an earlier run has stored."""
        config = str(self._children.folder / "influx.conf")
        self._children.run("influxd", [_program("influxd"), "-config", config], self._behind)
        assert until(lambda: self._get("/ping") == 204, START_LIMIT_S)

    def kill(self) -> None:
        """Pull the plug; the proxy stays and answers 502."""
        self._children.kill("influxd")

    def create(self) -> None:
        """Make the bucket."""
        self.ask(f"CREATE DATABASE {BUCKET}", method="POST")

    def _get(self, path: str) -> int:
        with (
            contextlib.suppress(OSError),
            urllib.request.urlopen(f"http://127.0.0.1:{self._behind}{path}", timeout=2) as result,
        ):
            return int(result.status)
        return 0

    def ask(self, query: str, method: str = "GET") -> list[list[object]]:
        """Rows of a query, without their series."""
        arguments = urllib.parse.urlencode({"db": BUCKET, "q": query, "epoch": "ms"})
        request = urllib.request.Request(f"http://127.0.0.1:{self._behind}/query?{arguments}", method=method)
        with urllib.request.urlopen(request, timeout=30) as results:
            result = json.loads(results.read())["results"][0]
        assert "error" not in result, result
        return [row for series in result.get("series", ()) for row in series["values"]]

    def count(self, measurement: str, field: str) -> int:
        """How many points of a field there are."""
        rows = self.ask(f'SELECT COUNT("{field}") FROM "{measurement}"')
        number = rows[0][1] if rows else 0
        assert isinstance(number, int)
        return number


class OldInflux:
    """InfluxDB 1.6 of Debian as it is, without the write address of version 2; it asks for the user of `token`."""

    token = "writer:a-password-for-tests"

    def __init__(self) -> None:
        self._children = _Children()
        self.port, self._rpc = free_port(), free_port()
        self.url = f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> "OldInflux":
        self._children.__enter__()
        folder = self._children.folder
        (folder / "influx.conf").write_text(_INFLUX.format(folder=folder, port=self.port, rpc=self._rpc, auth="true"))
        command = [_program("influxd"), "-config", str(folder / "influx.conf")]
        self._children.run("influxd", command, self.port)
        user, _, password = self.token.partition(":")
        assert until(lambda: _answers(self.port), START_LIMIT_S)
        self.ask(f"CREATE USER {user} WITH PASSWORD '{password}' WITH ALL PRIVILEGES", method="POST")
        self.ask(f"CREATE DATABASE {BUCKET}", method="POST")
        return self

    def __exit__(self, *exc: object) -> None:
        self._children.__exit__(*exc)

    def ask(self, query: str, method: str = "GET") -> list[list[object]]:
        """Rows of a query, without their series."""
        user, _, password = self.token.partition(":")
        arguments = urllib.parse.urlencode({"db": BUCKET, "q": query, "epoch": "ms", "u": user, "p": password})
        with urllib.request.urlopen(
            urllib.request.Request(f"{self.url}/query?{arguments}", method=method), timeout=30
        ) as results:
            result = json.loads(results.read())["results"][0]
        assert "error" not in result, result
        return [row for series in result.get("series", ()) for row in series["values"]]


class Victoria:
    """A second reader of another make: takes lines, has no query language of the first."""

    def __init__(self) -> None:
        self._children = _Children()
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> "Victoria":
        self._children.__enter__()
        folder = self._children.folder
        command = [
            _program("victoria-metrics"), f"-storageDataPath={folder}/data", f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y", "-memory.allowedBytes=200MB",
        ]  # fmt: skip
        self._children.run("victoria", command, self.port)
        return self

    def __exit__(self, *exc: object) -> None:
        self._children.__exit__(*exc)

    def export(self, match: str) -> list[dict[str, object]]:
        """All points of the series that match."""
        arguments = urllib.parse.urlencode({"match[]": match, "start": "0"})
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{arguments}", timeout=10) as result:
            return [json.loads(line) for line in result.read().splitlines()]


class StrictFake:
    """A small server that answers as told: `answers` are taken first, then lines are stored (in memory).

    An answer is (status, body, headers); a line that holds `bad` is refused together with its request, as version 2 does;
    `most` is the largest request in bytes; with `forgets` it says 204 and keeps nothing.
    """

    def __init__(self) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.answers: list[tuple[int, object, dict[str, str]]] = []
        self.requests: list[list[str]] = []
        self.stored: dict[str, str] = {}  # series and time -> fields
        self.order: list[str] = []
        self.bad, self.most, self.forgets, self.readable = "", 10**9, False, True
        self.between: Callable[[], None] = lambda: None
        self._server: ThreadingHTTPServer | None = None
        self._connections: list[socket.socket] = []

    def __enter__(self) -> "StrictFake":
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.stop()

    def start(self) -> None:
        """Listen, with what was stored before."""
        fake = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            wbufsize = -1  # one packet per answer: two would wait 40 ms for each other

            def setup(self) -> None:
                super().setup()
                fake._connections.append(self.connection)

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                self.answer(*fake.write(self.path, self.headers.get("Authorization", ""), body))

            def do_GET(self) -> None:
                self.answer(*fake.query(self.path))

            def answer(self, status: int, body: object, headers: dict[str, str]) -> None:
                data = b"" if body == "" else body.encode() if isinstance(body, str) else json.dumps(body).encode()
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("Content-Length", str(len(data)))
                self.end_headers()
                if status != 204:
                    self.wfile.write(data)

            def log_message(self, *_: object) -> None:
                """Nothing on the screen."""

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def stop(self) -> None:
        """Refuse connections, and cut those there are."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None
        for connection in self._connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        self._connections.clear()

    def write(self, path: str, authorization: str, body: bytes) -> tuple[int, object, dict[str, str]]:
        """What POST /api/v2/write answers."""
        self.between()
        url = urllib.parse.urlsplit(path)
        arguments = urllib.parse.parse_qs(url.query)
        lines = body.decode().split("\n")
        self.requests.append(lines)
        if self.answers:
            return self.answers.pop(0)
        if url.path != "/api/v2/write" or arguments.get("precision") != ["ms"]:
            return 404, {"code": "not found", "message": "path not found"}, {}
        if authorization != f"Token {TOKEN}":
            return 401, {"code": "unauthorized", "message": "unauthorized access"}, {}
        if arguments.get("bucket") != [BUCKET]:
            return 404, {"code": "not found", "message": f"bucket {arguments.get('bucket')} not found"}, {}
        if len(body) > self.most:
            return 413, {"code": "request too large", "message": "cannot read data: points in batch is too large"}, {}
        if self.bad and any(self.bad in item for item in lines):
            text = f"unable to parse '{next(item for item in lines if self.bad in item)}': invalid number"
            return 400, {"code": "invalid", "message": text, "line": 1}, {}
        if not self.forgets:
            for item in lines:
                series, fields, at = item.split(" ")
                self.stored[f"{series} {at}"] = fields
                self.order.append(item)
        return 204, "", {}

    def query(self, path: str) -> tuple[int, object, dict[str, str]]:
        """What GET /query answers: the canaries."""
        if not self.readable:
            return 403, {"code": "forbidden", "message": "insufficient permissions for read"}, {}
        values = [
            [int(key.split(" ")[1]), float(fields.partition("=")[2])]
            for key, fields in self.stored.items()
            if key.startswith("canary")
        ]
        series = [{"name": "canary", "columns": ["time", "number"], "values": values}] if values else []
        return 200, {"results": [{"statement_id": 0, "series": series} if series else {"statement_id": 0}]}, {}
