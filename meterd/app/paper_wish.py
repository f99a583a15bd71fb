"""A paper that somebody asks the page for."""

from pathlib import Path

from meterd.app.config import Plan
from meterd.app.paper_making import (
    Given,
    acceptance_of_board,
    acceptance_of_point,
    costs,
    documents,
    give_out,
    labels,
    rendered,
    report,
    when,
)
from meterd.errors import ConfigError
from meterd.page import PaperWish
from meterd.papers.document import Document

MEDIA = {
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
_ISSUED = {"report": report, "cost-allocation": costs}


def fulfil(plan: Plan, path: Path, wish: PaperWish, given: Given) -> tuple[str, str, bytes]:
    """File name, media type and content. ConfigError for a paper that there is not, StoreError if it cannot be recorded."""
    if wish.form not in MEDIA or (wish.form == "xlsx" and wish.kind in ("labels", "acceptance")):
        raise ConfigError(f"there is no {wish.kind} as {wish.form}; ask for pdf")
    if wish.kind in _ISSUED:
        data = _issued(plan, path, wish, given)
    elif wish.kind == "labels":
        data = labels(plan, [], [wish.board] if wish.board else [], lang=wish.language)[1]
    else:
        data = rendered(_sheet(plan, path, wish), wish.form)
    return _name(plan, wish), MEDIA[wish.form], data


def _issued(plan: Plan, path: Path, wish: PaperWish, given: Given) -> bytes:
    made = _ISSUED[wish.kind](plan, path, when(wish.words), lang=wish.language)
    data = rendered(made.document, wish.form)
    give_out(plan, path, made, data, given)
    return data


def _sheet(plan: Plan, path: Path, wish: PaperWish) -> Document:
    """What is made of the plan, with the newest readings for an acceptance sheet."""
    if wish.kind == "documents":
        return documents(plan, lang=wish.language)
    if wish.kind != "acceptance" or bool(wish.point) == bool(wish.board):
        raise ConfigError(f"there is no paper {wish.kind}; an acceptance sheet is of a point or of a board")
    if wish.point:
        return acceptance_of_point(plan, path, wish.point, lang=wish.language)
    return acceptance_of_board(plan, path, wish.board, lang=wish.language)


def _name(plan: Plan, wish: PaperWish) -> str:
    whose = wish.words if wish.kind in _ISSUED else wish.point or wish.board
    return "-".join(one for one in (plan.site.name, wish.kind, whose, wish.language) if one) + f".{wish.form}"
