"""The JSON interface: described by its document, and fuzzed by it."""

import json
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.registry import PAGES
from meterd.adapters.web.users import UserFile
from tests.adapters.web.web_backends import serving

pytestmark = pytest.mark.slow
WORD = "flour and chalk"
CHECKS = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance"


def test_the_document_names_every_page_and_describes_its_answers(tmp_path: Path) -> None:
    """OpenAPI 3.1 with a description for each answer, nothing of it from elsewhere."""
    with serving(tmp_path / "s.sqlite") as address:
        document = httpx.get(f"{address}/api/openapi.json", timeout=60).json()
        shown = httpx.get(f"{address}/docs", timeout=60).status_code
    assert document["openapi"].startswith("3.")
    for page_entry in PAGES:
        answer = document["paths"][f"/api{page_entry.path}"]["get"]["responses"]["200"]
        assert "$ref" in answer["content"]["application/json"]["schema"]
    assert "http" not in json.dumps(document["paths"])
    assert shown == 404


def test_the_interface_survives_what_a_fuzzer_makes_of_its_document(tmp_path: Path) -> None:
    """No 5xx but the promised ones, no answer that the document does not describe; as somebody who may see everything."""
    path = tmp_path / "s.sqlite"
    users = UserFile(path.with_name(path.name + ".users"))
    users.keep("fuzz", UserRole.CHANGE, WORD)
    with serving(path) as address:
        cookie = (
            httpx.post(f"{address}/login", data={"name": "fuzz", "password": WORD}).headers["set-cookie"].split(";")[0]
        )
        command = [
            sys.executable, "-m", "schemathesis.cli", "run", f"{address}/api/openapi.json", "--checks", CHECKS,
            "--phases", "coverage,fuzzing", "--max-examples", "4", "--seed", "7", "--header", f"Cookie: {cookie}",
            "--exclude-path-regex", "^/(ready|health)$",
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, timeout=200, cwd=tmp_path, check=False)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-1000:]
    assert "passed" in done.stdout
