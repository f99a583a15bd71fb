"""JSON Pointers find exactly what RFC 6901 says, and refuse what it calls an error."""

import csv
import json
from pathlib import Path

import pytest

from meterd.adapters.sources.json_pointer import find, parse

# RFC 6901 sections 5 and 6 (its own examples), and own vectors on the rules of sections 3, 4 and 7
VECTORS = Path(__file__).parents[2] / "vectors" / "json_pointer_vectors.csv"
with VECTORS.open(encoding="utf-8", newline="") as lines:
    ROWS = list(csv.DictReader(lines))
DOCUMENT = json.loads(next(row["expected_json"] for row in ROWS if row["pointer"] == ""))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["pointer"] or "whole")
def test_vector_of_rfc_6901(row: dict[str, str]) -> None:
    if row["expected_json"] == "error":
        with pytest.raises((ValueError, LookupError)):
            find(parse(row["pointer"]), DOCUMENT)
    else:
        assert find(parse(row["pointer"]), DOCUMENT) == json.loads(row["expected_json"])


@pytest.mark.parametrize("pointer", ["/a/b", "/0", "/foo/0/x", "/foo/٣", "/foo/9999999999999999999999"])
def test_pointer_that_leads_nowhere_says_so(pointer: str) -> None:
    with pytest.raises(LookupError, match=r"leads into|no such member|no index"):
        find(parse(pointer), DOCUMENT | {"a": 1})
