"""What every form of the page is asked before anything is done: that it is ours, and from whom it comes."""

from fastapi import Request
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.users import same


class Refused(HTTPException):
    """An order that was not carried out, with the way back to the form it came from."""

    def __init__(self, code: int, text: str, back: str) -> None:
        super().__init__(code, text)
        self.back = back


def within(to: str) -> str:
    """A way inside this page; anything else leads to its front."""
    return to if to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable() else "/now"


def same_origin(request: Request) -> None:
    """Refuses forms that a page of elsewhere sends (browsers tell by Sec-Fetch-Site, and Origin before that)."""
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    host = request.headers.get("host", "")
    ours = {f"{request.url.scheme}://{host}"}
    if site:  # the browser has compared already: a proxy with TLS that the plan does not name tells another scheme
        ours |= {f"https://{host}", "null"}
    if site not in (None, "same-origin", "none") or (origin is not None and origin not in ours):
        raise HTTPException(403, "this form was sent by a page of elsewhere")


def own_form(request: Request, viewer: Viewer, token: str) -> None:
    """Refuses what was not sent by a form of this session: 401 without a login, 403 without its token."""
    same_origin(request)
    if not viewer.name:
        raise HTTPException(401, wording.say(viewer.language, "error.login"))
    if not same(token, viewer.token):
        raise HTTPException(403, wording.say(viewer.language, "error.form"))


def needs_role(viewer: Viewer, role: UserRole) -> None:
    """403 for a viewer who may not do it."""
    if not viewer.role.covers(role):
        raise HTTPException(
            403, wording.say(viewer.language, "error.role", role=wording.role_words(viewer.language, role))
        )
