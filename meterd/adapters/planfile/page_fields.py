"""What may stand in values of `[page]` and `[login]` that name hosts, paths, proxies and roles; where it is announced."""

import re
from ipaddress import IPv4Address, ip_network
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import PlainValidator

from meterd.adapters.planfile.field_types import refuse, shown, text
from meterd.core.model.plan import WALL_PAGES

LOOPBACK = ("localhost", "127.0.0.1", "::1")


def host_names(value: object) -> tuple[str, ...]:
    """Names under which the page is reached, as a list: letters, digits, dots and hyphens."""
    if not isinstance(value, list):
        refuse(f"{shown(value)} is not a list of names", 'write hosts = ["meters.example.org"]')
    results = [text(item) for item in value]
    for item in results:
        if not re.fullmatch(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,252}[A-Za-z0-9])?", item):
            refuse(f"{shown(item)} is not the name of a host", 'write it without scheme and port: "meters.example.org"')
    return tuple(results)


def web_path(value: object) -> str:
    """What a proxy puts before the paths of the page."""
    result = text(value)
    if result and not re.fullmatch(r"(/[A-Za-z0-9._~-]+)+", result):
        refuse(f"{shown(value)} is not a path", 'write it as "/energy", without a slash at its end')
    return result


def wall_pages(value: object) -> tuple[str, ...]:
    """What a wall turns over: pages as their addresses name them, with their choice behind a question mark."""
    if not isinstance(value, list) or not value:
        refuse(f"{shown(value)} is not a list of pages", 'write wall = ["now", "energy?range=week"]')
    results = [text(item) for item in value]
    for item in results:
        if item.partition("?")[0] not in WALL_PAGES or not re.fullmatch(r"[!-~]+", item) or "#" in item:
            refuse(
                f"{shown(item)} is not a page for a wall", f"known: {', '.join(WALL_PAGES)}; such as energy?range=week"
            )
    return tuple(results)


def proxies(value: object) -> tuple[str, ...]:
    """Addresses and networks of proxies that are believed who asks; never everybody."""
    if not isinstance(value, list):
        refuse(f"{shown(value)} is not a list of addresses", 'write proxies = ["10.0.0.5"]')
    results = [text(item) for item in value]
    for item in results:
        try:
            everybody = ip_network(item).prefixlen == 0
        except ValueError:
            refuse(f"{shown(item)} is not an address or a network", 'write "10.0.0.5" or "10.0.0.0/24"')
        if everybody:
            refuse(f"{shown(item)} is everybody: anyone could say who asks", "name the addresses of the proxies")
    return tuple(results)


def own_address(value: object) -> str:
    """The address at which others reach this machine."""
    result = text(value)
    try:
        return str(IPv4Address(result)) if result else ""
    except ValueError:
        refuse(f"{shown(value)} is not an IPv4 address", 'write that of this machine: announce = "192.0.2.10"')


def issuer(value: object) -> str:
    """The address of an identity provider: encrypted, or on this machine."""
    result = text(value)
    parts = urlsplit(result)
    safe = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
    if result and not (
        re.fullmatch(r"[!-~]+", result) and safe and parts.hostname and not (parts.query or parts.fragment)
    ):
        right = "write https://host/path as the provider names itself; http only on this machine"
        refuse(f"{shown(value)} is not the address of an identity provider", right)
    if "@" in parts.netloc:
        refuse("the issuer has a user in it", "write it without")
    return result


def scopes(value: object) -> tuple[str, ...]:
    """What is asked of a provider; `openid` is what makes it a login."""
    results = tuple(text(item) for item in value) if isinstance(value, list) else ()
    if "openid" not in results or not all(re.fullmatch(r"[!#-\[\]-~]+", item) for item in results):
        refuse(f"{shown(value)} is not a list of scopes with openid", 'write scopes = ["openid", "profile"]')
    return results


def claim_roles(value: object) -> tuple[tuple[str, str], ...]:
    """Values of a claim with the role of whoever has them."""
    if not isinstance(value, dict) or not value:
        refuse(f"{shown(value)} is not a table of roles", 'write roles = { "mill-electricians" = "change" }')
    for key, role in value.items():
        if role not in ("look", "acknowledge", "change"):
            refuse(f"{shown(role)} is not a role for {key[:60]!r}", "known: look, acknowledge, change")
    return tuple(value.items())


HostNames = Annotated[tuple[str, ...], PlainValidator(host_names)]
WebPath = Annotated[str, PlainValidator(web_path)]
Proxies = Annotated[tuple[str, ...], PlainValidator(proxies)]
WallPages = Annotated[tuple[str, ...], PlainValidator(wall_pages)]
OwnAddress = Annotated[str, PlainValidator(own_address)]
Issuer = Annotated[str, PlainValidator(issuer)]
Scopes = Annotated[tuple[str, ...], PlainValidator(scopes)]
ClaimRoles = Annotated[tuple[tuple[str, str], ...], PlainValidator(claim_roles)]
