"""The way to a paper: made for whoever asks, one at a time, and kept nowhere."""

import re
from typing import Annotated, Literal

from fastapi import Depends, FastAPI, Query
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from meterd.errors import ConfigError
from meterd.page import PaperWish, UserRole, Viewer, wording
from meterd.page.asking import Office, needs, office_of, viewer_of
from meterd.page.papers import LANGUAGE, OF_A_PERIOD, OF_THE_PLAN, PERIOD, check_period, figures_role

AGAIN_S = 5  # a report takes two or three seconds: who comes back then is mostly served
LONGEST_NAME = 100  # of a point or a board


class Wanted(BaseModel):
    """What is asked for; without a kind nothing."""

    kind: Literal["", "report", "cost-allocation", "documents", "labels", "acceptance"] = ""
    form: Literal["pdf", "xlsx"] = "pdf"
    period: Annotated[str, Query(pattern=PERIOD)] = ""
    language: Annotated[str, Query(pattern=LANGUAGE)] = ""
    point: Annotated[str, Query(max_length=LONGEST_NAME)] = ""
    board: Annotated[str, Query(max_length=LONGEST_NAME)] = ""


def add(app: FastAPI) -> None:
    """The route. One paper at a time: each takes a core for seconds, and the daemon needs one for itself."""
    app.add_api_route("/paper", paper, include_in_schema=False, dependencies=[Depends(needs(UserRole.LOOK))])


def paper(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    wanted: Annotated[Wanted, Query()],
) -> Response:
    """The file, as a download. 404 for a paper that there is not, 503 while another is made."""
    if not wanted.kind:
        return RedirectResponse("/papers", status_code=303)  # where a login leads that began here
    role = UserRole.LOOK if wanted.kind in OF_THE_PLAN else figures_role(office.desk.site)
    if not viewer.role.covers(role):
        raise HTTPException(403, wording.say(viewer.language, "error.role", role=str(role)))
    if wanted.kind in OF_A_PERIOD:
        check_period(office, wanted.period, viewer.language)
    if not office.press.acquire(blocking=False):
        raise HTTPException(503, wording.say(viewer.language, "papers.busy"), {"retry-after": str(AGAIN_S)})
    try:
        name, media, content = office.desk.paper(_wish(wanted, viewer), viewer.name)
    except ConfigError as exc:
        raise HTTPException(404, str(exc)) from exc
    finally:
        office.press.release()
    return Response(content, media_type=media, headers=_headers(name))


def _wish(wanted: Wanted, viewer: Viewer) -> PaperWish:
    language = wanted.language or viewer.language
    return PaperWish(wanted.kind, wanted.form, wanted.period, language, wanted.point, wanted.board)


def _headers(name: str) -> dict[str, str]:
    """A download under a name that no file system and no header can misread; never from a cache: figures change."""
    safe = re.sub(r"[^A-Za-z0-9._-]+", "-", name).lstrip(".-") or "paper"
    return {"content-disposition": f'attachment; filename="{safe}"', "cache-control": "no-store"}
