"""Download of a document: made when it is asked for, one at a time, and stored nowhere."""

import re
from typing import Annotated, Literal

from fastapi import Depends, FastAPI, Query
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.pages.documents import LANGUAGE, OF_A_PERIOD, OF_THE_PLAN, PERIOD, check_period, figures_role
from meterd.adapters.web.request_context import RequestContext, context_of, needs, viewer_of
from meterd.core.errors import ConfigError
from meterd.core.reports.content import DocumentRequest

AGAIN_S = 5  # a report takes two or three seconds: who comes back then is mostly served
LONGEST_NAME = 100  # of a point, a board or a tenant


class DownloadQuery(BaseModel):
    """What is asked for; without a kind nothing."""

    kind: Literal["", "report", "cost-allocation", "statement", "documents", "labels", "acceptance"] = ""
    form: Literal["pdf", "xlsx"] = "pdf"
    period: Annotated[str, Query(pattern=PERIOD)] = ""
    language: Annotated[str, Query(pattern=LANGUAGE)] = ""
    point: Annotated[str, Query(max_length=LONGEST_NAME)] = ""
    board: Annotated[str, Query(max_length=LONGEST_NAME)] = ""
    tenant: Annotated[str, Query(max_length=LONGEST_NAME)] = ""


def add(app: FastAPI) -> None:
    """The route, and its address of before. One document at a time: each takes a core for seconds, and the daemon needs one."""
    for path in ("/document", "/paper"):
        app.add_api_route(path, document, include_in_schema=False, dependencies=[Depends(needs(UserRole.LOOK))])


def document(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    wanted: Annotated[DownloadQuery, Query()],
) -> Response:
    """The file, as a download. 404 for a document that there is not, 503 while another is made."""
    if not wanted.kind:
        return RedirectResponse("/documents", status_code=303)  # where a login leads that began here
    role = UserRole.LOOK if wanted.kind in OF_THE_PLAN else figures_role(context.backend.site)
    if not viewer.role.covers(role):
        raise HTTPException(
            403, wording.say(viewer.language, "error.role", role=wording.role_words(viewer.language, role))
        )
    if wanted.kind in (*OF_A_PERIOD, "statement"):
        check_period(context, wanted.period, viewer.language)
    if not context.document_lock.acquire(blocking=False):
        raise HTTPException(503, wording.say(viewer.language, "documents.busy"), {"retry-after": str(AGAIN_S)})
    try:
        name, media, content = context.backend.document(_request(wanted, viewer), viewer.name)
    except ConfigError as exc:
        raise HTTPException(404, str(exc)) from exc
    finally:
        context.document_lock.release()
    return Response(content, media_type=media, headers=_headers(name))


def _request(wanted: DownloadQuery, viewer: Viewer) -> DocumentRequest:
    language = wanted.language or viewer.language
    of_period = wanted.kind in (*OF_A_PERIOD, "statement")
    return DocumentRequest(
        wanted.kind,
        wanted.form,
        wanted.period if of_period else "",
        language,
        wanted.point,
        wanted.board,
        wanted.tenant if wanted.kind == "statement" else "",
    )


def _headers(name: str) -> dict[str, str]:
    """A download under a name that no file system and no header can misread; never from a cache: figures change."""
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", name).lstrip(".-") or "document"
    return {"content-disposition": f'attachment; filename="{safe}"', "cache-control": "no-store"}
