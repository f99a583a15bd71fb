"""The way of a correction into the books: what was previewed is ordered, in the name of whoever is logged in."""

from dataclasses import dataclass, replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Depends, FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from meterd.correction import Correction
from meterd.page import UserRole, Viewer
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.change import Asked, again, final, in_force
from meterd.page.change_fields import MANY, correction_of
from meterd.page.change_fields import Form as Reading
from meterd.page.forms import Refused, needs_role, own_form

LONGEST_WAY = 1_900  # characters that the form of the login takes


@dataclass(frozen=True, slots=True)
class Sent:
    """A form as it was sent, with the token of its session."""

    token: Annotated[str, Form(max_length=200)] = ""
    point: Annotated[str, Form(max_length=MANY)] = ""
    which: Annotated[str, Form(alias="register", max_length=MANY)] = ""
    begin: Annotated[str, Form(alias="from", max_length=MANY)] = ""
    end: Annotated[str, Form(alias="until", max_length=MANY)] = ""
    factor: Annotated[str, Form(max_length=MANY)] = ""
    reason: Annotated[str, Form(max_length=2 * MANY)] = ""
    withdraw: Annotated[int | None, Form(ge=1, le=10**9)] = None

    @property
    def asked(self) -> Asked:
        """The same as a question of the sheet."""
        fields = (self.point, self.which, self.begin, self.end, self.factor, self.reason)
        return Asked(*fields, withdraw=self.withdraw)


def add(app: FastAPI) -> None:
    """The route."""
    app.add_api_route("/change", change, methods=["POST"], include_in_schema=False)


def change(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    office: Annotated[Office, Depends(office_of)],
    sent: Annotated[Sent, Depends()],
) -> Response:
    """Enter a correction or withdraw one. What cannot be, or was not previewed, leads back to the form as it was."""
    asked = sent.asked
    back = again(asked)
    try:
        own_form(request, viewer, sent.token)
    except HTTPException as exc:
        if exc.status_code == 401 and len(back) < LONGEST_WAY:  # the session is over: nothing is lost by a new one
            return RedirectResponse(f"/login?{urlencode({'to': back})}", status_code=303)
        raise Refused(exc.status_code, exc.detail, back) from exc
    needs_role(viewer, UserRole.CHANGE)
    one = _wanted(asked, office, viewer)
    if one is None or not office.foresight.take(one):
        return RedirectResponse(back, status_code=303)
    done, words = office.desk.correct(one)
    if not done:
        raise Refused(409, words, back)
    office.foresight.forget()
    return RedirectResponse(f"/change?done={'withdrawn' if one.id else 'entered'}#corrections", status_code=303)


def _wanted(asked: Asked, office: Office, viewer: Viewer) -> Correction | None:
    """What is to be done, with its reason and its person; None for what the sheet has to tell first."""
    reading = Reading(viewer.language)
    with office.desk.reader() as reads:
        kept, final_ms = reads.corrections.all(), final(reads)
    if asked.withdraw is None:
        return correction_of(asked.written, office.desk.site, viewer.name, final_ms, reading)
    reason = asked.why(reading)
    one = in_force(asked.withdraw, kept, viewer.language)
    return None if reason is None else replace(one, reason=reason, person=viewer.name)
