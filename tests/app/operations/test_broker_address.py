"""An address of a broker becomes keys of the plan; secrets stay out of it."""

import argparse
from pathlib import Path

import pytest

from meterd.app.operations.broker_address import add_options, broker_of
from meterd.core.errors import ConfigError


def options(*arguments: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_options(parser)
    return parser.parse_args(arguments)


@pytest.mark.parametrize(
    ("text", "keys", "topic"),
    [
        ("mqtt://10.0.0.5", {"host": "10.0.0.5", "port": 1883}, ""),
        ("mqtt://mill.example:1884/mill/#", {"host": "mill.example", "port": 1884}, "mill/#"),
        ("mqtt://[::1]:1884/a/+/b", {"host": "::1", "port": 1884}, "a/+/b"),
        ("mqtts://joe@mill.example", {"host": "mill.example", "port": 8883, "username": "joe", "tls": True}, ""),
    ],
)
def test_keys_and_topic(text: str, keys: dict[str, object], topic: str) -> None:
    address = broker_of(text, options(), "--listen")
    assert (address.keys, address.topic) == (keys, topic)


def test_files_are_named_wherever_the_plan_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = options("--password-env", "MILL", "--ca-file", "ca.crt")
    keys = broker_of("mqtts://joe@mill.example", text, "--listen").keys
    assert (keys["password_env"], keys["ca_file"]) == ("MILL", str(tmp_path / "ca.crt"))


@pytest.mark.parametrize(
    ("text", "more", "message"),
    [
        ("10.0.0.5", [], "no address of a broker; write mqtt://HOST:PORT"),
        ("http://10.0.0.5", [], "no address of a broker"),
        ("mqtt://joe:secret@h", [], "a password on the command line .* write mqtt://joe@h and --password-env"),
        ("mqtt://h:70000", [], "port 70000 is none"),
        ("mqtt://h", ["--ca-file", "ca.crt"], "--ca-file is for TLS: write mqtts://"),
        ("mqtt://h", ["--password-env", "A", "--password-file", "b"], "the password has two places"),
    ],
)
def test_what_is_wrong_is_said_without_the_password(text: str, more: list[str], message: str) -> None:
    with pytest.raises(ConfigError, match=message) as caught:
        broker_of(text, options(*more), "--listen")
    assert "secret" not in str(caught.value)
