"""A provider that lies on request: what the page must not believe, over real sockets."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl

from joserfc import jwt
from joserfc.jwk import RSAKey

from meterd.core.model.login import Login

NOW_S = 1_777_888_800
NONCE = "nonce-of-this-login"


@cache
def first_key() -> RSAKey:
    """One for all tests: to make one takes a while."""
    return RSAKey.generate_key(2048, {"kid": "first", "use": "sig"}, auto_kid=False)


class FalseProvider:
    """Answers with what `answers` holds for a path: an object, bytes, or (code, object). Right in everything else."""

    def __init__(self, port: int) -> None:
        self.issuer = f"http://127.0.0.1:{port}"
        self.key = first_key()
        self.shown = [self.key.as_dict(private=False)]
        self.claims: dict[str, Any] = {
            "iss": self.issuer, "sub": "s-1", "aud": "meters", "exp": NOW_S + 300, "iat": NOW_S, "nonce": NONCE,
            "preferred_username": "anna", "roles": ["electricians"],
        }  # fmt: skip
        self.header: dict[str, Any] = {"alg": "RS256", "kid": "first"}
        self.signed_by = self.key
        self.settings: dict[str, Any] = {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "userinfo_endpoint": f"{self.issuer}/userinfo",
        }
        self.answers: dict[str, Any] = {}
        self.pause_s = 0.0  # between two bytes of an answer
        self.asked: list[str] = []
        self.forms: list[dict[str, str]] = []

    @property
    def login(self) -> Login:
        """Settings of the plan that fit."""
        return Login(self.issuer, "meters", roles=(("electricians", "change"), ("staff", "look")), timeout_s=1)

    def token(self) -> str:
        """The ID token, signed."""
        return jwt.encode(self.header, self.claims, self.signed_by, algorithms=["RS256"])

    def answer(self, path: str) -> tuple[int, bytes]:
        """Code and body."""
        known: dict[str, Callable[[], Any]] = {
            "/.well-known/openid-configuration": lambda: self.settings,
            "/keys": lambda: {"keys": self.shown},
            "/token": lambda: {"access_token": "a", "token_type": "Bearer", "id_token": self.token()},
        }
        value = self.answers[path] if path in self.answers else known[path]() if path in known else (404, {})
        code, value = value if isinstance(value, tuple) else (200, value)
        return code, value if isinstance(value, bytes) else json.dumps(value).encode()


@contextmanager
def lying() -> Iterator[FalseProvider]:
    """Served on a port of its own."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            provider.asked.append(self.path)
            code, body = provider.answer(self.path)
            self.send_response(code)
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            for number in range(len(body)) if provider.pause_s else ():
                if gone.wait(provider.pause_s):
                    return
                self.wfile.write(body[number : number + 1])
            if not provider.pause_s:
                self.wfile.write(body)

        def do_POST(self) -> None:
            provider.forms.append(dict(parse_qsl(self.rfile.read(int(self.headers["content-length"])).decode())))
            self.do_GET()

        def log_message(self, *_: object) -> None:
            """Nothing."""

        def handle(self) -> None:
            try:
                super().handle()
            except OSError:
                return  # whoever asked has had enough

    gone = threading.Event()
    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        provider = FalseProvider(server.server_address[1])
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield provider
        finally:
            gone.set()
            server.shutdown()
            thread.join()


def limited(work: Callable[[], object], most_s: float) -> None:
    """That it does not take longer, by far."""
    begun = time.monotonic()
    work()
    assert time.monotonic() - begun < most_s
