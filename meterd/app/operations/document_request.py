"""A document that somebody asks the page for."""

from pathlib import Path

from meterd.adapters.documents.model import Document
from meterd.adapters.planfile.loader import Plan
from meterd.app.operations.documents import (
    Recipient,
    acceptance_of_board,
    acceptance_of_point,
    calendar_period,
    costs,
    documents,
    give_out,
    labels,
    rendered,
    report,
    statement,
)
from meterd.core.errors import ConfigError
from meterd.core.reports.content import DocumentRequest

MEDIA = {
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
_ISSUED = {"report": report, "cost-allocation": costs}


def requested_document(
    plan: Plan, path: Path, request: DocumentRequest, recipient: Recipient
) -> tuple[str, str, bytes]:
    """File name, media type and content. ConfigError for a document that there is not, StoreError if it cannot be recorded."""
    if request.form not in MEDIA or (request.form == "xlsx" and request.kind in ("labels", "acceptance")):
        raise ConfigError(f"there is no {request.kind} as {request.form}; ask for pdf")
    if request.kind in (*_ISSUED, "statement"):
        data = _issued(plan, path, request, recipient)
    elif request.kind == "labels":
        data = labels(plan, [], [request.board] if request.board else [], lang=request.language)[1]
    else:
        data = rendered(_plan_document(plan, path, request), request.form)
    return _name(plan, request), MEDIA[request.form], data


def _issued(plan: Plan, path: Path, request: DocumentRequest, recipient: Recipient) -> bytes:
    period = calendar_period(request.words)
    if request.kind == "statement":
        document = statement(plan, path, period, request.tenant, lang=request.language)
    else:
        document = _ISSUED[request.kind](plan, path, period, lang=request.language)
    data = rendered(document.document, request.form)
    give_out(plan, path, document, data, recipient)
    return data


def _plan_document(plan: Plan, path: Path, request: DocumentRequest) -> Document:
    """What is made of the plan, with the newest readings for an acceptance form."""
    if request.kind == "documents":
        return documents(plan, lang=request.language)
    if request.kind != "acceptance" or bool(request.point) == bool(request.board):
        raise ConfigError(f"there is no document {request.kind}; an acceptance form is of a point or of a board")
    if request.point:
        return acceptance_of_point(plan, path, request.point, lang=request.language)
    return acceptance_of_board(plan, path, request.board, lang=request.language)


def _name(plan: Plan, request: DocumentRequest) -> str:
    whose = (request.tenant, request.words) if request.words else (request.point or request.board,)
    parts = (plan.site.name, request.kind, *whose, request.language)
    return "-".join(item for item in parts if item) + f".{request.form}"
