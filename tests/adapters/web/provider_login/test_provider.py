"""What a provider must prove before anybody is believed: each lie is refused, each honest change is followed."""

import base64
import hmac
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from joserfc.jwk import RSAKey

from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.adapters.web.provider_login.provider import Attempt, Person, Provider
from tests.adapters.web.provider_login.false_provider import NONCE, NOW_S, FalseProvider, lying

ATTEMPT = Attempt("http://127.0.0.1:8480/login/return", NONCE, "v" * 64)
ANNA = Person("anna", "s-1", ("electricians",), (NOW_S + 300) * 1000)
OTHER = RSAKey.generate_key(2048, {"kid": "first"}, auto_kid=False)


@pytest.fixture
def false() -> Iterator[FalseProvider]:
    with lying() as provider:
        yield provider


class Hands:
    """A clock that is moved by hand."""

    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def asks(false: FalseProvider, secret: str = "barley", clock: Callable[[], float] | None = None) -> Provider:
    return Provider(false.login, lambda: secret, lambda: NOW_S * 1000, clock or Hands())


def test_an_honest_answer_names_the_person(false: FalseProvider) -> None:
    """Settings and keys are asked for once; the second login asks for its tokens only."""
    provider = asks(false)
    assert provider.person("c", ATTEMPT) == ANNA
    assert provider.person("c", ATTEMPT) == ANNA
    assert false.asked == ["/.well-known/openid-configuration", "/token", "/keys", "/token"]
    assert false.forms[0]["code_verifier"] == ATTEMPT.verifier
    assert "client_secret" not in false.forms[0], "it goes in the header"


def _claims(**changed: object) -> Callable[[FalseProvider], None]:
    return lambda false: false.claims.update(changed)


def _without(name: str) -> Callable[[FalseProvider], None]:
    return lambda false: false.claims.pop(name)


def _settings(**changed: object) -> Callable[[FalseProvider], None]:
    return lambda false: false.settings.update(changed)


def _answers(path: str, value: object) -> Callable[[FalseProvider], None]:
    return lambda false: false.answers.update({path: value})


def _signed(key: RSAKey, **header: str) -> Callable[[FalseProvider], None]:
    def change(false: FalseProvider) -> None:
        false.signed_by = key
        false.header.update(header)

    return change


def _shared(false: FalseProvider) -> None:
    """Signed with the public key as a shared secret, which a careless reader of `alg` would take for a signature."""
    parts = [json.dumps(part).encode() for part in ({"alg": "HS256", "kid": "first"}, false.claims)]
    text = b".".join(base64.urlsafe_b64encode(part).rstrip(b"=") for part in parts)
    mark = hmac.digest(false.key.as_pem(private=False), text, "sha256")
    false.answers["/token"] = {"id_token": b".".join((text, base64.urlsafe_b64encode(mark).rstrip(b"="))).decode()}


LIES: list[tuple[str, Callable[[FalseProvider], None], str, str]] = [
    ("key", _signed(OTHER), "token", "bad_signature"),
    ("unknown key", _signed(OTHER, kid="second"), "token", "'second', which the provider does not name"),
    ("shared secret", _shared, "token", "HS256"),
    ("issuer", _claims(iss="https://elsewhere.example"), "token", "iss"),
    ("receiver", _claims(aud="heating"), "token", "aud"),
    ("receivers", _claims(aud=["meters", "heating"]), "token", "azp"),
    ("expired", _claims(exp=NOW_S - 61), "token", "expired"),
    ("of tomorrow", _claims(iat=NOW_S + 86_400), "token", "in the future"),
    ("end in words", _claims(exp="soon"), "token", "exp"),
    ("never ends", _claims(exp=math.inf), "token", "NumericDate"),
    ("no end", _without("exp"), "token", "exp"),
    ("nonce", _claims(nonce="of another login"), "token", "nonce"),
    ("no nonce", _without("nonce"), "token", "nonce"),
    ("no subject", _without("sub"), "token", "sub"),
    ("no token", _answers("/token", {"access_token": "a"}), "token", "no ID token"),
    ("no signature", _answers("/token", {"id_token": "eyJhbGciOiJub25lIn0.e30."}), "token", "proves nothing"),
    ("nonsense token", _answers("/token", {"id_token": "flour"}), "token", "proves nothing"),
    ("refused code", _answers("/token", (400, {"error": "old", "error_description": "barley"})), "wrong", "old ***"),
    ("list of tokens", _answers("/token", []), "wrong", "no object"),
    ("no JSON", _answers("/keys", b"<html>"), "wrong", "not JSON"),
    ("no keys", _answers("/keys", {"keys": [{"kty": "oct", "k": "AAAA"}, 7, {"kty": "new"}]}), "wrong", "no key"),
    ("too large", _answers("/keys", b"[" * 300_000), "wrong", "more than 262144 bytes"),
    ("moved", _answers("/.well-known/openid-configuration", (302, {})), "wrong", "302"),
    ("other name", _settings(issuer="https://elsewhere.example"), "wrong", "calls itself 'https://elsewhere.example'"),
    ("open line", _settings(token_endpoint="http://elsewhere.example/token"), "wrong", "it must be https"),
    ("no address", _settings(jwks_uri=7), "wrong", "jwks_uri"),
    ("fault", _answers("/token", (503, {})), "away", "503"),
    ("silent about itself", _settings(authorization_response_iss_parameter_supported=True), "wrong", "names ''"),
]  # fmt: skip


@pytest.mark.parametrize(("lie", "kind", "says"), [case[1:] for case in LIES], ids=[case[0] for case in LIES])
def test_a_lie_is_refused(false: FalseProvider, lie: Callable[[FalseProvider], None], kind: str, says: str) -> None:
    lie(false)
    with pytest.raises(LoginFailed) as refused:
        asks(false).person("c", ATTEMPT)
    assert (refused.value.kind, says in str(refused.value)) == (kind, True), str(refused.value)


def test_an_answer_in_the_name_of_another_provider_is_refused(false: FalseProvider) -> None:
    """RFC 9207; in the right name it is taken."""
    with pytest.raises(LoginFailed, match=r"names 'https://elsewhere\.example'"):
        asks(false).person("c", ATTEMPT, "https://elsewhere.example")
    assert asks(false).person("c", ATTEMPT, false.issuer) == ANNA


def test_a_new_key_is_followed_and_an_invented_one_is_not_asked_for_again_and_again(false: FalseProvider) -> None:
    """Keys are asked for at most once a minute for names that are unknown."""
    hands = Hands()
    provider = asks(false, clock=hands)
    provider.person("c", ATTEMPT)
    second = RSAKey.generate_key(2048, {"kid": "second"}, auto_kid=False)
    _signed(second, kid="second")(false)
    for _ in range(3):
        with pytest.raises(LoginFailed, match="does not name"):
            provider.person("c", ATTEMPT)
    assert false.asked.count("/keys") == 1
    false.shown.append(second.as_dict(private=False))
    hands.now_s += 61
    assert provider.person("c", ATTEMPT) == ANNA
    assert false.asked.count("/keys") == 2


def test_a_key_without_a_name_is_found_among_several(false: FalseProvider) -> None:
    false.shown.insert(0, OTHER.as_dict(private=False))
    del false.header["kid"]
    assert asks(false).person("c", ATTEMPT) == ANNA


def test_roles_come_from_userinfo_when_the_token_has_none(false: FalseProvider) -> None:
    """And from nobody else's; without a name that can be stored the subject is it."""
    del false.claims["roles"], false.claims["preferred_username"]
    false.answers["/userinfo"] = {"sub": "s-2", "roles": ["electricians"]}
    with pytest.raises(LoginFailed, match="about somebody else"):
        asks(false).person("c", ATTEMPT)
    false.answers["/userinfo"] = {"sub": "s-1", "roles": "staff", "preferred_username": "line\nbreak"}
    assert asks(false).person("c", ATTEMPT) == Person("s-1", "s-1", ("staff",), ANNA.until_ms)


def test_a_claim_inside_others_is_reached_by_dots(false: FalseProvider) -> None:
    """By its whole name first: names with dots are names too."""
    login = replace(false.login, roles_claim="mill.roles")
    false.claims["mill"] = {"roles": ["staff"]}
    inside = Provider(login, str, lambda: NOW_S * 1000)
    assert inside.person("c", ATTEMPT).values == ("staff",)
    false.claims["mill.roles"] = ["electricians"]
    assert inside.person("c", ATTEMPT).values == ("electricians",)


def test_a_secret_that_the_header_would_escape_goes_in_the_form(false: FalseProvider) -> None:
    """Found with a provider that does not undo the escapes. Without a secret the page is a public client."""
    false.settings["token_endpoint_auth_methods_supported"] = ["client_secret_basic", "client_secret_post"]
    asks(false, "rye & oats").person("c", ATTEMPT)
    assert false.forms[-1]["client_secret"] == "rye & oats"
    asks(false, "").person("c", ATTEMPT)
    assert (false.forms[-1]["client_id"], "client_secret" in false.forms[-1]) == ("meters", False)


def test_a_provider_that_does_not_answer_is_left_alone_for_a_moment(false: FalseProvider) -> None:
    """The next person is told at once."""
    hands = Hands()
    false.answers["/.well-known/openid-configuration"] = (503, {})
    provider = asks(false, clock=hands)
    for says in ("answers 503", "did not answer a moment ago"):
        with pytest.raises(LoginFailed, match=says):
            provider.metadata()
    assert len(false.asked) == 1
    del false.answers["/.well-known/openid-configuration"]
    hands.now_s += 6
    assert provider.person("c", ATTEMPT) == ANNA
