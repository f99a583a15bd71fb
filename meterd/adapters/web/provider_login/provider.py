"""One identity provider: its settings and keys, and who a person is by the code that they bring.

Sources: OpenID Connect Core 1.0 (2, 3.1, 5.3) and Discovery 1.0 (4), RFC 6749 (2.3.1, 4.1), RFC 7636, RFC 9207. Claims are
judged by authlib, signatures by joserfc.
"""

import base64
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote_plus

from authlib.oauth2.rfc6749.parameters import prepare_grant_uri
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from authlib.oidc.core import CodeIDToken
from joserfc import jws, jwt
from joserfc.errors import JoseError
from joserfc.jwk import JWKRegistry

from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.adapters.web.provider_login.fetch import fetch_json, safe
from meterd.core.model.finding import refused_text
from meterd.core.model.login import Login

ALGORITHMS = (
    "RS256",
    "RS384",
    "RS512",
    "PS256",
    "PS384",
    "PS512",
    "ES256",
    "ES384",
    "ES512",
    "EdDSA",
)  # with public keys
LEEWAY_S = 60  # between the clock of the provider and ours
KNOWN_S = 3_600.0  # settings and keys are asked for again after an hour ...
KEYS_AGAIN_S = 60.0  # ... keys at once for a token with a new one, but no oftener: tokens are invented easily
AWAY_S = 5.0  # for so long a provider that did not answer is not asked again: the next person need not wait too
LONGEST_NAME = 120  # characters


@dataclass(frozen=True, slots=True)
class Metadata:
    """What a provider says of itself."""

    authorization: str
    token: str
    jwks: str
    userinfo: str
    auth_methods: tuple[str, ...]
    names_itself: bool  # in every answer, by RFC 9207


@dataclass(frozen=True, slots=True)
class Attempt:
    """What one login needs at its return: where to, and what the tokens have to fit."""

    redirect_uri: str
    nonce: str
    verifier: str


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody whom the provider knows: a name, the provider's own key of them, values of the claim of roles, the token's end."""

    name: str
    subject: str
    values: tuple[str, ...]
    until_ms: int


class Provider:
    """Asks one provider. Methods may be called from any thread; each takes a few answers of `timeout_s` at most."""

    def __init__(
        self,
        login: Login,
        secret: Callable[[], str],
        now_ms: Callable[[], int],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.login = login
        self._secret = secret
        self._now_ms = now_ms
        self._clock = clock
        self._lock = threading.Lock()
        self._metadata: tuple[Metadata, float] | None = None
        self._keys: tuple[list[Any], float] | None = None
        self._away_until_s = 0.0

    def begin(self, attempt: Attempt, state: str) -> str:
        """The address to which a person is sent."""
        return str(
            prepare_grant_uri(
                self.metadata().authorization,
                self.login.client_id,
                "code",
                redirect_uri=attempt.redirect_uri,
                scope=" ".join(self.login.scopes),
                state=state,
                nonce=attempt.nonce,
                code_challenge=create_s256_code_challenge(attempt.verifier),
                code_challenge_method="S256",
            )
        )

    def person(self, code: str, attempt: Attempt, issuer: str = "") -> Person:
        """Who brings this code; LoginFailed if the provider does not prove it. `issuer` is who says that the code is theirs."""
        metadata = self.metadata()
        if issuer != self.login.issuer and (issuer or metadata.names_itself):
            raise LoginFailed("wrong", f"the answer names {issuer[:200]!r} as its provider")
        tokens = self._tokens(metadata, code, attempt)
        claims = self._claims(tokens, attempt.nonce)
        wanted = (self.login.roles_claim, self.login.name_claim)
        if metadata.userinfo and "access_token" in tokens and any(_claim(claims, name) is None for name in wanted):
            claims = {**self._userinfo(metadata, tokens, str(claims["sub"])), **claims}
        subject, name = str(claims["sub"]), _claim(claims, self.login.name_claim)
        name = name if isinstance(name, str) and not refused_text(name) else subject
        if refused_text(name):
            raise LoginFailed("wrong", "the provider names the person with something that is no name")
        return Person(name[:LONGEST_NAME], subject[:LONGEST_NAME], self._values(claims), int(claims["exp"] * 1000))

    def metadata(self) -> Metadata:
        """The settings of the provider, asked for once an hour."""
        with self._lock:
            if self._metadata is not None and self._clock() - self._metadata[1] < KNOWN_S:
                return self._metadata[0]
        values = self._ask(f"{self.login.issuer.rstrip('/')}/.well-known/openid-configuration")
        if values.get("issuer") != self.login.issuer:
            text = f"the provider calls itself {str(values.get('issuer'))[:200]!r}, the plan {self.login.issuer!r}"
            raise LoginFailed("wrong", text)
        result = _metadata(values)
        with self._lock:
            self._metadata = (result, self._clock())
        return result

    def _ask(self, url: str, **more: Any) -> dict[str, Any]:
        with self._lock:
            if self._clock() < self._away_until_s:
                raise LoginFailed("away", f"{url} is not asked: the provider did not answer a moment ago")
        try:
            return fetch_json(url, self.login, **more)
        except LoginFailed as exc:
            if exc.kind == "away":
                with self._lock:
                    self._away_until_s = self._clock() + AWAY_S
            raise

    def _tokens(self, metadata: Metadata, code: str, attempt: Attempt) -> dict[str, Any]:
        login, secret = self.login, self._secret()
        form = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": attempt.redirect_uri,
            "code_verifier": attempt.verifier,
        }
        headers = {}
        pair = f"{quote_plus(login.client_id)}:{quote_plus(secret)}"
        # some providers do not undo the escapes that RFC 6749, 2.3.1 asks for in the header: the form knows no such doubt
        plain = pair == f"{login.client_id}:{secret}" or "client_secret_post" not in metadata.auth_methods
        if secret and "client_secret_basic" in metadata.auth_methods and plain:
            headers["Authorization"] = f"Basic {base64.b64encode(pair.encode()).decode()}"
        else:
            form |= {"client_id": login.client_id} | ({"client_secret": secret} if secret else {})
        return self._ask(metadata.token, form=form, headers=headers, hidden=(secret, code, attempt.verifier))

    def _claims(self, tokens: Mapping[str, Any], nonce: str) -> dict[str, Any]:
        """The claims of the ID token, whose signature, issuer, receiver, time and nonce are right."""
        token = tokens.get("id_token")
        if not isinstance(token, str):
            raise LoginFailed("token", "the provider gave no ID token")
        options = {
            "iss": {"essential": True, "value": self.login.issuer},
            "aud": {"essential": True, "value": self.login.client_id},
        }
        params = {"nonce": nonce, "client_id": self.login.client_id, "access_token": tokens.get("access_token")}
        try:
            proven = self._proven(token)
            claims = CodeIDToken(proven.claims, proven.header, options, params)
            claims.validate(now=self._now_ms() // 1000, leeway=LEEWAY_S)
        except (JoseError, ValueError, TypeError, AttributeError) as exc:  # claims of any shape reach authlib
            raise LoginFailed("token", f"the ID token proves nothing: {str(exc)[:200]}") from exc
        return dict(claims)

    def _proven(self, token: str) -> jwt.Token:
        name = jws.extract_compact(token.encode()).headers().get("kid")
        keys = [key for key in self._known_keys() if name is None or key.kid == name]
        if not keys:
            keys = [key for key in self._known_keys(again_s=KEYS_AGAIN_S) if name is None or key.kid == name]
        if not keys:
            raise LoginFailed(
                "token", f"the ID token is signed with key {str(name)[:100]!r}, which the provider does not name"
            )
        for key in keys[:-1]:
            try:
                return jwt.decode(token, key, algorithms=ALGORITHMS)
            except JoseError:
                continue  # without a name in the token any of them may be the right one
        return jwt.decode(token, keys[-1], algorithms=ALGORITHMS)

    def _known_keys(self, again_s: float = KNOWN_S) -> list[Any]:
        with self._lock:
            if self._keys is not None and self._clock() - self._keys[1] < again_s:
                return self._keys[0]
        rows = self._ask(self.metadata().jwks).get("keys")
        keys = [] if not isinstance(rows, list) else [key for row in rows if (key := _public_key(row)) is not None]
        if not keys:
            raise LoginFailed("wrong", "the provider has no key for signatures that can be used")
        with self._lock:
            self._keys = (keys, self._clock())
        return keys

    def _userinfo(self, metadata: Metadata, tokens: Mapping[str, Any], subject: str) -> dict[str, Any]:
        values = self._ask(metadata.userinfo, headers={"Authorization": f"Bearer {tokens['access_token']}"})
        if values.get("sub") != subject:
            raise LoginFailed("token", "the provider's userinfo is about somebody else")
        return values

    def _values(self, claims: Mapping[str, Any]) -> tuple[str, ...]:
        value = _claim(claims, self.login.roles_claim)
        return tuple(str(item) for item in (value if isinstance(value, list) else [] if value is None else [value]))


def _metadata(values: Mapping[str, Any]) -> Metadata:
    for key in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
        if not safe(values.get(key)):
            raise LoginFailed("wrong", f"the provider's {key} is {str(values.get(key))[:200]!r}; it must be https")
    methods = values.get("token_endpoint_auth_methods_supported")
    userinfo = values.get("userinfo_endpoint")
    return Metadata(
        values["authorization_endpoint"],
        values["token_endpoint"],
        values["jwks_uri"],
        userinfo if isinstance(userinfo, str) and safe(userinfo) else "",
        tuple(map(str, methods)) if isinstance(methods, list) else ("client_secret_basic",),
        values.get("authorization_response_iss_parameter_supported") is True,
    )


def _public_key(row: object) -> Any | None:
    """A key for signatures; None for what is none, or of a kind that we do not know."""
    if not isinstance(row, dict) or row.get("kty") == "oct" or row.get("use", "sig") != "sig":
        return None
    try:
        return JWKRegistry.import_key(row)
    except (JoseError, ValueError, TypeError, KeyError):
        return None


def _claim(claims: Mapping[str, Any], name: str) -> Any:
    """A claim by its name, or by names joined with dots where it is inside others; None without it."""
    if name in claims:
        return claims[name]
    value: Any = claims
    for part in name.split("."):
        if not isinstance(value, Mapping) or part not in value:
            return None
        value = value[part]
    return value
