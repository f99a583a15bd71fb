"""The way to the provider and back: `/login/begin` sends a person there, to `/login/return` they come back with a code."""

import logging
from typing import Annotated

from fastapi import Depends, FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from meterd.adapters.runtime.people_log import FAILED
from meterd.adapters.texts import wording
from meterd.adapters.web.csrf import within
from meterd.adapters.web.provider_login.attempts import RETURN_S, title_of
from meterd.adapters.web.provider_login.failure import LoginFailed
from meterd.adapters.web.request_context import RequestContext, address_of, context_of, keep_cookie

log = logging.getLogger("meterd.page")

# not among them: what the address holds beyond these is a fault of whoever made it
STATUS = {"away": 503, "busy": 503, "wrong": 502, "token": 502, "state": 400, "denied": 403, "role": 403}
Short = Annotated[str, Query(max_length=500)]
Long = Annotated[str, Query(max_length=4000)]


def add(app: FastAPI) -> None:
    """Both routes. They are no forms: a form may not lead to another host, and nothing is done in anybody's name."""
    app.add_api_route("/login/begin", begin, include_in_schema=False)
    app.add_api_route("/login/return", come_back, include_in_schema=False)


def begin(request: Request, context: Annotated[RequestContext, Depends(context_of)], to: Long = "/now") -> Response:
    """To the provider, with a cookie that binds the way back to this browser."""
    _wanted(context)
    redirect_uri = f"{request.url.scheme}://{request.headers.get('host', '')}{context.root}/login/return"
    where, browser = context.provider_logins.begin(redirect_uri, within(to), address_of(request))
    response = RedirectResponse(where, status_code=303)
    keep_cookie(request, response, _cookie(context), browser, max_age=int(RETURN_S))
    return response


def come_back(
    request: Request,
    context: Annotated[RequestContext, Depends(context_of)],
    state: Short = "",
    code: Long = "",
    iss: Long = "",
    error: Short = "",
    error_description: Long = "",
) -> Response:
    """From the provider: in, if it proves who this is and the plan has a role for them."""
    _wanted(context)
    answer = {"code": code, "iss": iss, "error": error, "description": error_description}
    try:
        arrived = context.provider_logins.finish(state, request.cookies.get(_cookie(context), ""), answer)
    except LoginFailed as exc:
        what = f"{title_of(context.backend.site.login)}: {exc}"
        context.backend.record_act(FAILED, exc.person, what, address_of(request))
        raise
    session = context.sessions.begin_by_provider(
        arrived.name, arrived.role, until_ms=arrived.until_ms, login=arrived.login
    )
    what = f"{title_of(arrived.login)}, sub {arrived.subject}, role {arrived.role}"
    context.backend.record_act("login", arrived.name, what, address_of(request))
    response = RedirectResponse(arrived.to, status_code=303)
    keep_cookie(request, response, context.session_cookie, session)
    response.delete_cookie(_cookie(context), path=context.root or "/")
    return response


def not_logged_in(failure: LoginFailed, context: RequestContext, language: str) -> tuple[int, str]:
    """Code and words for a person whose login by the provider failed; the reason goes into the log for the operator."""
    if context.provider_logins.worth_a_line(failure):
        more = {"event": "login-failed", "subject": failure.person}
        log.warning("login by the provider failed: %s", failure, extra=more)
    text = wording.say(language, f"provider.{failure.kind}", title=title_of(context.backend.site.login))
    return STATUS[failure.kind], text


def _wanted(context: RequestContext) -> None:
    if not context.backend.site.login.issuer:
        raise HTTPException(404, "the plan has no [login]")


def _cookie(context: RequestContext) -> str:
    return f"meterd_login_{context.backend.site.name}"
