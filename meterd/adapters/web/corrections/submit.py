"""How a correction gets into the stored figures: what was previewed is ordered, in the name of the user who is logged in."""

from dataclasses import dataclass, replace
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Depends, FastAPI, Form, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.corrections.correction_page import CorrectionQuery, final, form_address, in_force
from meterd.adapters.web.corrections.fields import MANY, correction_of
from meterd.adapters.web.corrections.fields import Form as Reading
from meterd.adapters.web.csrf import Refused, needs_role, own_form
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.registers.corrections import Correction

LONGEST_WAY = 1_900  # characters that the form of the login takes


@dataclass(frozen=True, slots=True)
class SubmittedForm:
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
    def asked(self) -> CorrectionQuery:
        """The same as a question of the page."""
        fields = (self.point, self.which, self.begin, self.end, self.factor, self.reason)
        return CorrectionQuery(*fields, withdraw=self.withdraw)


def add(app: FastAPI) -> None:
    """The route."""
    app.add_api_route("/change", change, methods=["POST"], include_in_schema=False)


def change(
    request: Request,
    viewer: Annotated[Viewer, Depends(viewer_of)],
    context: Annotated[RequestContext, Depends(context_of)],
    sent: Annotated[SubmittedForm, Depends()],
) -> Response:
    """Enter a correction or withdraw one. What cannot be, or was not previewed, leads back to the form as it was."""
    query = sent.asked
    back = form_address(query)
    try:
        own_form(request, viewer, sent.token)
    except HTTPException as exc:
        if exc.status_code == 401 and len(back) < LONGEST_WAY:  # the session is over: nothing is lost by a new one
            return RedirectResponse(f"/login?{urlencode({'to': back})}", status_code=303)
        raise Refused(exc.status_code, exc.detail, back) from exc
    needs_role(viewer, UserRole.CHANGE)
    correction = _wanted(query, context, viewer)
    if correction is None or not context.preview_job.take(correction):
        return RedirectResponse(back, status_code=303)
    done, text = context.backend.correct(correction)
    if not done:
        raise Refused(409, text, back)
    context.preview_job.forget()
    return RedirectResponse(f"/change?done={'withdrawn' if correction.id else 'entered'}#corrections", status_code=303)


def _wanted(query: CorrectionQuery, context: RequestContext, viewer: Viewer) -> Correction | None:
    """What is to be done, with its reason and its person; None for what the page has to tell first."""
    reading = Reading(viewer.language)
    with context.backend.reader() as reads:
        corrections, final_ms = reads.corrections.all(), final(reads)
    if query.withdraw is None:
        return correction_of(query.written, context.backend.site, viewer.name, final_ms, reading)
    reason = query.why(reading)
    correction = in_force(query.withdraw, corrections, viewer.language)
    return None if reason is None else replace(correction, reason=reason, person=viewer.name)
