"""A document is made on request, one at a time, for whoever may have it."""

import re
from dataclasses import replace
from pathlib import Path

from meterd.adapters.store.journal import SqliteStore
from tests.adapters.web.document_requests import DOCUMENTS, MONTH, come_in
from tests.adapters.web.request_contexts import SITE


def test_reports_are_recorded_for_whoever_had_them_once(tmp_path: Path) -> None:
    """With the energies they rest on; the same file again keeps its record, what is made of the plan has none."""
    path = tmp_path / "s.sqlite"
    with come_in(path) as (_, asking):
        first = asking.get(f"/document?{MONTH}&form=xlsx")
        assert asking.get(f"/document?{MONTH}&form=xlsx").content == first.content
        assert asking.get(DOCUMENTS).status_code == 200
    assert first.headers["content-disposition"] == 'attachment; filename="mill-report-2026-05-en.xlsx"'
    assert first.headers["cache-control"] == "no-store"
    store = SqliteStore.reader(path)
    (issue,) = store.issued.all()
    store.close()
    assert (issue.kind, issue.period, issue.person) == ("month-report", "2026-05", "ada")
    assert ("t1", "1.8.0") in [(point, register) for point, register, _ in issue.figures]


def test_one_document_at_a_time(tmp_path: Path) -> None:
    """Who comes while another is made is told when to come again."""
    with come_in(tmp_path / "s.sqlite") as (context, asking):
        with context.document_lock:
            busy = asking.get(DOCUMENTS)
        assert (busy.status_code, busy.headers["retry-after"]) == (503, "5")
        assert "only one document is generated at a time" in busy.text
        assert asking.get(DOCUMENTS).status_code == 200


def test_what_is_not_there_is_reported_and_the_next_one_is_served(tmp_path: Path) -> None:
    """In words that name no file of the machine; the next document can be made afterwards."""
    wishes = {
        "kind=report&period=2020-01": 404,
        "kind=report": 404,
        "kind=report&period=2026-13": 422,
        "kind=report&period=../../etc": 422,
        "kind=secrets": 422,
        "kind=labels&form=xlsx": 404,
        "kind=acceptance&point=nobody": 404,
        "kind=acceptance": 404,
        "kind=cost-allocation&period=2026-05": 404,
        "kind=documents&language=fr": 422,
        "": 303,
    }
    with come_in(tmp_path / "s.sqlite") as (_, asking):
        for wish, code in wishes.items():
            response = asking.get(f"/document?{wish}")
            assert response.status_code == code, wish
            assert str(tmp_path) not in response.text
        assert asking.get(DOCUMENTS).status_code == 200


def test_nobody_gets_documents_without_a_login(tmp_path: Path) -> None:
    """Though the page itself is open; from there the way leads back to the page."""
    with come_in(tmp_path / "s.sqlite") as (_, asking):
        asking.cookies.clear()
        for way in ("/document", "/documents"):
            asked = asking.get(f"{way}?kind=documents").headers["location"]
            assert asked == f"/login?to={way}%3Fkind%3Ddocuments"  # whoever logs in comes back to what was asked for
        assert asking.get("/api/documents").status_code == 401


def test_addresses_and_fields_of_version_0_2_still_lead_there(tmp_path: Path) -> None:
    """A bookmark and a program of before: the pages move for good with what was asked, a document is served at both."""
    with come_in(tmp_path / "s.sqlite") as (_, asking):
        for before in ("", "/api"):
            moved = asking.get(f"{before}/papers?period=2026")
            assert (moved.status_code, moved.headers["location"]) == (308, f"{before}/documents?period=2026")
        values = asking.get("/api/papers?period=2026", follow_redirects=True).json()
        assert (values["period"], values["papers"]) == ("2026", values["documents"])
        assert values["documents"][0]["files"][0]["link"].startswith("/document?kind=report")
        assert asking.get(DOCUMENTS.replace("/document?", "/paper?")).status_code == 200
        schema = asking.get("/api/openapi.json").json()["components"]["schemas"]["DocumentsView"]["properties"]
        assert schema["papers"] == {**schema["documents"], "description": "former name of documents"} | {
            "title": "Papers", "readOnly": True, "deprecated": True,
        }  # fmt: skip


def test_a_statement_of_a_tenant_is_chosen_on_the_page(tmp_path: Path) -> None:
    """The form of the page leads to a file in the name of the tenant; a stranger's name is not found."""
    points = tuple(replace(p, tenant="Joiner & Sons") if p.role == "feeder" else p for p in SITE.points)
    with come_in(tmp_path / "s.sqlite", site=replace(SITE, points=points)) as (_, asking):
        page = asking.get("/documents").text
        assert "<option>Joiner &amp; Sons</option>" in page
        period = re.search(r'name="period" value="([^"]+)"', page)
        assert period is not None
        query = f"/document?kind=statement&form=pdf&period={period[1]}&tenant="
        answer = asking.get(query + "Joiner+%26+Sons")
        assert answer.content[:5] == b"%PDF-"
        assert f"statement-Joiner-Sons-{period[1]}" in answer.headers["content-disposition"]
        assert asking.get(query + "Nobody").status_code == 404
