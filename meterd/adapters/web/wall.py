"""A wall: the pages that the plan names, one after the other, without navigation. Each leads to the next by itself."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, FastAPI, Request
from fastapi.responses import RedirectResponse

from meterd.adapters.web.request_context import RequestContext, context_of


@dataclass(frozen=True, slots=True)
class Wall:
    """Which of the pages of a wall this is, from 1, the one that follows, from 0, and after how many seconds."""

    number: int
    of: int
    after: int
    seconds: int


def add(app: FastAPI) -> None:
    """The route; each page asks for the role that it always asks for."""
    app.add_api_route("/wall", turn, include_in_schema=False)


def turn(context: Annotated[RequestContext, Depends(context_of)], n: int = 0) -> RedirectResponse:
    """To one of the pages; behind the last comes the first."""
    pages = context.backend.site.page.wall
    number = n % len(pages)
    return RedirectResponse(f"/{pages[number]}{'&' if '?' in pages[number] else '?'}wall={number}", status_code=303)


def wall_of(request: Request, context: RequestContext) -> Wall | None:
    """The place of a page on a wall; None for one that people have opened."""
    asked, plan = request.query_params.get("wall", ""), context.backend.site.page
    if not (asked.isascii() and asked.isdigit() and len(asked) < 4):
        return None
    number, of = int(asked) % len(plan.wall), len(plan.wall)
    return Wall(number + 1, of, (number + 1) % of, plan.wall_s)
