"""Hosts, paths, proxies and pages of [page] are read, or refused with a reason."""

import pytest
from pydantic_core import PydanticCustomError

from meterd.adapters.planfile import page_fields


@pytest.mark.parametrize("value", ["energy", "/energy/", "/", "/a b", "//a", "/a?b", "/a/../b/"])
def test_what_is_no_path_of_a_proxy_is_refused(value: str) -> None:
    with pytest.raises(PydanticCustomError, match="is not a path"):
        page_fields.web_path(value)


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("10.0.0.5", "not a list"),
        (["proxy.local"], "not an address"),
        (["0.0.0.0/0"], "everybody"),
        (["::/0"], "everybody"),
    ],
)
def test_who_is_no_proxy_is_refused(value: object, says: str) -> None:
    with pytest.raises(PydanticCustomError, match=says):
        page_fields.proxies(value)
    assert page_fields.proxies(["10.0.0.0/24", "::1"]) == ("10.0.0.0/24", "::1")


def test_a_wall_turns_over_known_pages() -> None:
    """With what they are asked in their address; anything else names those that are known."""
    assert page_fields.wall_pages(["now", "energy?range=week"]) == ("now", "energy?range=week")
    for value in ("now", [], ["wetter"], ["now#top"], ["energy?of=a b"], ["/now"], ["change"]):
        with pytest.raises(ValueError, match="wall"):
            page_fields.wall_pages(value)
