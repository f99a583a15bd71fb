"""What a site makes known on the local network: where its broker and its page are."""

from dataclasses import dataclass
from ipaddress import ip_address

from meterd.core.model.plan import Site

LOCAL = "localhost"


@dataclass(frozen=True, slots=True)
class Service:
    """One thing that can be found: `kind` as registered with IANA, `text` as in its TXT record (RFC 6763, 6)."""

    kind: str
    address: str
    port: int
    text: tuple[tuple[str, str], ...]


def services_of(site: Site) -> tuple[Service, ...]:
    """Broker and page of a plan that names the address of this machine; what only this machine can reach is left out.

    A broker without an address of its own is taken to be on this machine.
    """
    results: list[Service] = []
    broker, page = site.broker, site.page
    if site.announce and not broker.embedded:
        kind, own = "_secure-mqtt._tcp" if broker.tls else "_mqtt._tcp", _address(broker.host)
        topic = (("topic", f"{site.prefix}/{site.name}"),)
        results.append(Service(kind, own or site.announce, broker.port, topic))
    if site.announce and page.port and not only_here(page.listen):
        kind = "_https._tcp" if page.cert_file else "_http._tcp"
        results.append(Service(kind, site.announce, page.port, (("path", f"{page.path}/"),)))
    return tuple(results)


def only_here(listen: str) -> bool:
    """Whether what listens at an address can be reached from this machine alone.

    >>> only_here("127.0.0.1"), only_here("localhost"), only_here("0.0.0.0"), only_here("192.0.2.10")
    (True, True, False, False)
    """
    try:
        return ip_address(listen).is_loopback
    except ValueError:
        return listen == LOCAL


def _address(host: str) -> str:
    """A host that is written as an IPv4 address of its own, else nothing."""
    try:
        address = ip_address(host)
    except ValueError:
        return ""
    return "" if address.version != 4 or address.is_loopback else host
