"""Rules for [page] and [login]: who may come in from where is said whole, and nobody logs in over an open line unseen."""

from importlib.util import find_spec
from ipaddress import ip_address

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.core.model.login import Login
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


def check_login(draft: Draft, notes: Notes) -> None:
    """A login by a provider is whole, has a page, and its secret has one place."""
    if draft.login is None:
        return
    row, sound = draft.login.row, draft.login.sound
    data = Login(**draft.login.data.model_dump())
    for key in ("issuer", "client_id", "roles"):
        if not getattr(data, key) and sound(key):
            notes.fault(row.place, f"{key} is missing", "a login by a provider needs issuer, client_id and roles")
    if data.client_secret_env and data.client_secret_file:
        right = "keep client_secret_env or client_secret_file"
        notes.fault(row.at("client_secret_file"), "the secret has two places", right)
    if draft.page is None or not getattr(draft.page.data, "port", 0):
        notes.warn(row.place, "there is no page to log in at", "write [page] with port")
    if find_spec("authlib") is None:
        notes.fault(row.place, "the package authlib is missing", "pip install 'meterd[oidc]'")
