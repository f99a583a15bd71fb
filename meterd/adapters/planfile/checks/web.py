"""Rules for [page]: who may come in from where is said whole, and nobody logs in over an open line unseen."""

from ipaddress import ip_address

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.core.model.plan import Page


def check_page(draft: Draft, notes: Notes) -> None:
    """The address is one of a machine, certificate and key belong together."""
    if draft.page is None:
        return
    row, sound = draft.page.row, draft.page.sound
    data = Page(**draft.page.data.model_dump())
    try:
        local = ip_address(data.listen).is_loopback
    except ValueError:
        right = 'write "127.0.0.1" for this machine only, "0.0.0.0" or "::" for its network'
        notes.fault(row.at("listen"), f"{data.listen[:60]!r} is not an address", right)
        return
    if bool(data.cert_file) != bool(data.key_file) and sound("cert_file", "key_file"):
        missing = "key_file" if data.cert_file else "cert_file"
        notes.fault(row.place, f"{missing} is missing", "write cert_file and key_file, or neither")
    if data.port and not local and not data.cert_file:
        right = "write cert_file and key_file, or put a proxy with TLS in front"
        notes.warn(row.at("listen"), "passwords of the page go over an open line", right)
    if data.port and not local and not data.hosts:
        right = 'write hosts = ["name under which people reach it"]'
        notes.warn(row.at("listen"), "no name is known under which the page is reached: only its address works", right)
