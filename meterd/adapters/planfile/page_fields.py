"""What may stand in values that name hosts, paths and proxies: those of `[page]`, and where it is announced."""

import re
from ipaddress import IPv4Address, ip_network
from typing import Annotated

from pydantic import PlainValidator

from meterd.adapters.planfile.field_types import refuse, shown, text
from meterd.core.model.plan import WALL_PAGES


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


HostNames = Annotated[tuple[str, ...], PlainValidator(host_names)]
WebPath = Annotated[str, PlainValidator(web_path)]
Proxies = Annotated[tuple[str, ...], PlainValidator(proxies)]
WallPages = Annotated[tuple[str, ...], PlainValidator(wall_pages)]
OwnAddress = Annotated[str, PlainValidator(own_address)]
