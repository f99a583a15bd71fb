"""Requests to a provider end in time, whatever it does, and go over no open line."""

import socket
from dataclasses import replace

import pytest

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.adapters.web.provider_login.fetch import fetch_json, safe
from meterd.core.model.login import Login
from tests.adapters.web.provider_login.false_provider import limited, lying


def test_a_provider_that_sends_a_byte_at_a_time_is_cut_off() -> None:
    """The limit is for the whole answer: a second here, though no byte waits longer than a fifth of it."""
    with lying() as provider:
        provider.pause_s = 0.2

        def ask() -> None:
            with pytest.raises(LoginFailed, match=r"no whole answer of .* within 1 s") as refused:
                fetch_json(f"{provider.issuer}/keys", provider.login)
            assert refused.value.kind == "away"

        limited(ask, 10)


def test_a_provider_that_takes_the_connection_and_says_nothing_is_given_up() -> None:
    with socket.create_server(("127.0.0.1", 0)) as deaf, pytest.raises(LoginFailed) as refused:
        fetch_json(f"http://127.0.0.1:{deaf.getsockname()[1]}/", Login(timeout_s=1))
    assert refused.value.kind == "away"


def test_a_provider_that_is_down_or_speaks_no_tls_is_told() -> None:
    with pytest.raises(LoginFailed, match="cannot be reached"):
        fetch_json(f"http://127.0.0.1:{free_port()}/", Login(timeout_s=1))
    with lying() as provider, pytest.raises(LoginFailed, match="cannot be reached"):
        fetch_json(provider.issuer.replace("http", "https"), replace(provider.login, timeout_s=2))


@pytest.mark.parametrize(
    ("url", "good"),
    [
        ("https://login.mill.example/token", True),
        ("http://127.0.0.1:1/x", True),
        ("http://[::1]/x", True),
        ("http://login.mill.example/token", False),
        ("http://127.0.0.1.example/x", False),
        ("file:///etc/hostname", False),
        ("https://", False),
        ("https://a b/", False),
        ("https://[/", False),
        (None, False),
    ],
)
def test_only_tls_or_this_machine_is_safe(url: object, good: bool) -> None:
    assert safe(url) is good
