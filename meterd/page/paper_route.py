"""The way to a paper: made for whoever asks, one at a time, and kept nowhere."""

import re
import threading
from typing import Annotated, Literal

from fastapi import Depends, FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.exceptions import HTTPException

from meterd.errors import ConfigError
from meterd.page import PaperWish, UserRole, Viewer, wording
from meterd.page.asking import Office, needs, office_of, viewer_of
from meterd.page.papers import LANGUAGE, OF_THE_PLAN, PERIOD, figures_role

AGAIN_S = 5  # a report of 40 points takes two seconds: who comes back then is served
LONGEST_NAME = 100  # of a point or a board


def add(app: FastAPI) -> None:
    """The route. One paper at a time: each takes a core for seconds, and the daemon needs the other one."""
    app.state.press = threading.Lock()
    app.add_api_route("/paper", paper, include_in_schema=False, dependencies=[Depends(needs(UserRole.LOOK))])


def paper(
    request: Request,
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    wish: Annotated[PaperWish | None, Depends(lambda: None)] = None,
) -> Response:
    """The file."""
