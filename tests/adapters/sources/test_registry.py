"""Every protocol is registered with settings a person can write and a class that runs."""

from dataclasses import fields

import pytest

from meterd.adapters.sources.registry import PROTOCOLS


@pytest.mark.parametrize("name", PROTOCOLS)
def test_every_option_has_a_default_of_a_plain_type(name: str) -> None:
    for option in fields(PROTOCOLS[name].settings):
        assert isinstance(option.default, str | int | float | bool), option.name


@pytest.mark.parametrize("name", [name for name, protocol in PROTOCOLS.items() if protocol.address_fault is not None])
def test_addresses_of_any_text_are_judged_without_error(name: str) -> None:
    judge = PROTOCOLS[name].address_fault
    assert judge is not None
    for text in (
        "",
        "/",
        "a" * 5000,
        "\u0661/1.8.0",
        "1/2/3/4/5",
        "{n}",
        "\x00",
        "9" * 400 + "/1.8.0",
        "-1/holding/1/int16",
    ):
        fault = judge(text)
        if fault is None and (name, text) == ("http", "/"):  # the path of a server that has only one value
            continue
        assert fault is not None, text
        assert len(" ".join(fault)) < 800
