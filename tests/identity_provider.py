"""An identity provider that others have written (idpyoidc), on this machine: what the login by a provider is tried against.

    python -m tests.identity_provider PORT REDIRECT_URI

It insists on PKCE and checks client, secret, redirect and code by itself. Whoever comes is logged in as the person that was last
named by a PUT to `/as/NAME`; `GROUPS` says what it knows of them. Only the way of HTTP into its endpoints is ours.
"""

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from idpyoidc.server import Server
from idpyoidc.server.configure import OPConfiguration

CLIENT, SECRET = "mill-page", "rye, spelt and barley & oats"  # with characters that a header must carry escaped
GROUPS = {"anna": ["mill-electricians", "bakers"], "bert": ["bakers"], "carla": ["mill-staff"]}
TOKEN_S = 300
_METHODS = ["client_secret_basic", "client_secret_post"]
_OIDC = "idpyoidc.server.oidc"
_PATHS = {
    "/.well-known/openid-configuration": "provider_config",
    "/authorization": "authorization",
    "/token": "token",
    "/userinfo": "userinfo",
}


def _settings(issuer: str) -> dict[str, Any]:
    key = {
        "kwargs": {"keys": {"key_defs": [{"type": "OCT", "use": ["enc"], "kid": kid} for kid in ("password", "salt")]}}
    }
    people = {name: {"preferred_username": name, "groups": groups} for name, groups in GROUPS.items()}
    return {
        "issuer": issuer,
        "base_url": issuer,
        "key_conf": {
            "key_defs": [{"type": "RSA", "use": ["sig"]}, {"type": "EC", "crv": "P-256", "use": ["sig"]}],
            "uri_path": "jwks",
        },
        "token_handler_args": {
            "key_conf": {"key_defs": [{"type": "oct", "bytes": 24, "use": ["enc"], "kid": "code"}]},
            "code": {"lifetime": 60, "kwargs": {}},
            "token": {"class": "idpyoidc.server.token.jwt_token.JWTToken", "kwargs": {"lifetime": TOKEN_S}},
            "id_token": {"class": "idpyoidc.server.token.id_token.IDToken", "kwargs": {"lifetime": TOKEN_S}},
        },
        "endpoint": {
            "provider_config": {
                "path": ".well-known/openid-configuration",
                "class": f"{_OIDC}.provider_config.ProviderConfiguration",
                "kwargs": {"client_authn_method": None},
            },
            "authorization": {
                "path": "authorization",
                "class": f"{_OIDC}.authorization.Authorization",
                "kwargs": {"client_authn_method": None, "response_types_supported": ["code"]},
            },
            "token": {"path": "token", "class": f"{_OIDC}.token.Token", "kwargs": {"client_authn_method": _METHODS}},
            "userinfo": {
                "path": "userinfo",
                "class": f"{_OIDC}.userinfo.UserInfo",
                "kwargs": {"client_authn_method": ["bearer_header"]},
            },
        },
        "add_on": {
            "pkce": {
                "function": "idpyoidc.server.oauth2.add_on.pkce.add_support",
                "kwargs": {"essential": True, "code_challenge_methods": {"S256": {}}},
            }
        },
        "authentication": {
            "named": {"acr": "named", "class": "idpyoidc.server.user_authn.user.NoAuthn", "kwargs": {"user": "anna"}}
        },
        "userinfo": {"class": "idpyoidc.server.user_info.UserInfo", "kwargs": {"db": people}},
        "scopes_to_claims": {"openid": ["sub"], "profile": ["preferred_username", "groups"]},
        "session_params": {"encrypter": key},
    }


def provider(issuer: str, redirect_uri: str) -> Server:
    """The provider with one client."""
    settings = _settings(issuer)
    server = Server(OPConfiguration(conf=settings, base_path="/nowhere"), cwd="/nowhere")
    server.get_context().cdb[CLIENT] = {
        "client_id": CLIENT,
        "client_secret": SECRET,
        "redirect_uris": [(redirect_uri, {})],
        "response_types_supported": ["code"],
        "token_endpoint_auth_method": "client_secret_basic",
        "allowed_scopes": ["openid", "profile"],
        "client_salt": "salt",
    }
    server.get_context().keyjar.add_symmetric(CLIENT, SECRET)
    return server


class Handler(BaseHTTPRequestHandler):
    """HTTP in front of the endpoints."""

    server_of: Server

    def do_PUT(self) -> None:
        """Who is at the provider's keyboard from now on."""
        method = self.server_of.get_context().authn_broker.get_method_by_id("named")
        method.user = self.path.rpartition("/")[2]
        self._answer(204, "")

    def do_GET(self) -> None:
        """Settings, keys, the way in, or what is known of a person."""
        parts = urlsplit(self.path)
        if parts.path == "/jwks":
            self._answer(200, json.dumps(self.server_of.get_context().keyjar.export_jwks()))
        else:
            self._endpoint(parts.path, dict(parse_qsl(parts.query)))

    def do_POST(self) -> None:
        """A code for tokens."""
        self._endpoint(self.path, dict(parse_qsl(self.rfile.read(int(self.headers["content-length"])).decode())))

    def _endpoint(self, path: str, fields: dict[str, str]) -> None:
        if path not in _PATHS:
            self._answer(404, "")
            return
        endpoint = self.server_of.get_endpoint(_PATHS[path])
        headers = {key.lower(): value for key, value in self.headers.items()}
        info = {"headers": headers, "method": self.command, "url": self.path, "cookie": []}
        try:
            request = endpoint.parse_request(fields, http_info=info)
            if "error" in request:
                self._answer(400, request.to_json())
                return
            done = endpoint.process_request(request, http_info=info)
            answer = endpoint.do_response(request=request, **done)
        except Exception as exc:  # the library refuses by exceptions of many kinds
            self._answer(400, json.dumps({"error": "invalid_request", "error_description": str(exc)}))
            return
        text = answer["response"]
        if answer.get("response_placement", endpoint.response_placement) == "url":
            self._answer(302, "", location=text)
        else:
            self._answer(400 if '"error"' in text else 200, text)

    def _answer(self, code: int, text: str, *, location: str = "") -> None:
        self.send_response(code)
        if location:
            self.send_header("location", location)
        self.send_header("content-type", "application/json")
        self.send_header("content-length", str(len(text.encode())))
        self.end_headers()
        self.wfile.write(text.encode())

    def log_message(self, *_: object) -> None:
        """Nothing: a test says what it saw."""


def main(port: str, redirect_uri: str) -> None:
    """Serve until the process is ended."""
    Handler.server_of = provider(f"http://127.0.0.1:{port}", redirect_uri)
    with ThreadingHTTPServer(("127.0.0.1", int(port)), Handler) as server:
        print("ready", flush=True)
        server.serve_forever()


if __name__ == "__main__":
    main(*sys.argv[1:])
