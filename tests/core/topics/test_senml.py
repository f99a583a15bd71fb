"""SenML packs are resolved as the published examples of RFC 8428 say, and what it forbids is refused."""

import csv
import json
from pathlib import Path

import pytest

from meterd.core.topics.senml import RELATIVE_S, Record, resolve

# Packs and resolved forms: RFC 8428, 5.1.1 to 5.1.7 (text verified), and own vectors on the rules of 4.2 to 4.6.
VECTORS = Path(__file__).parents[2] / "vectors" / "senml_examples.csv"
with VECTORS.open(encoding="utf-8", newline="") as lines:
    ROWS = list(csv.DictReader(lines))


def shown(record: Record) -> dict[str, object]:
    """A record in the labels of the RFC."""
    time = {"t" if record.at_s >= RELATIVE_S else "t_relative": record.at_s}
    rest = {"u": record.unit or None, "v": record.value, "vs": record.text, "vb": record.flag, "vd": record.data}
    more = {"s": record.sum, "ut": record.update_s}
    return {"n": record.name} | {k: v for k, v in (time | rest | more).items() if v is not None}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["example"])
def test_published_examples_resolve_to_their_published_form(row: dict[str, str]) -> None:
    pack = row["pack_json"].encode()
    if "bver 26" in row["example"]:  # a reader of version 10 must refuse it; this one knows the secondary units
        assert resolve(pack)[0].unit == "kWh"
        with pytest.raises(ValueError, match="version 26"):
            resolve(pack, understood=10)
    elif row["resolved_json"] == "error":
        with pytest.raises(ValueError, match=r"name|understood"):
            resolve(pack)
    else:
        expected = [{k: v for k, v in record.items() if k != "bver"} for record in json.loads(row["resolved_json"])]
        assert [shown(record) for record in resolve(pack)] == expected


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        (b"{}", "array"),
        (b"[]", "array"),
        (b"[1]", "object"),
        (b'[{"n":"a","u":"W"}]', "exactly one value"),
        (b'[{"n":"a","v":1,"vs":"x"}]', "exactly one value"),
        (b'[{"n":"a","v":"1"}]', "v must be a number"),
        (b'[{"n":"a","v":true}]', "v must be a number"),
        (b'[{"n":"a","v":NaN}]', "NaN"),
        (b'[{"n":"a","v":1e999}]', "v must be a number"),
        (b'[{"n":"a","vs":1}]', "vs must be a string"),
        (b'[{"n":"a","vb":1}]', "vb must be true or false"),
        (b'[{"n":"-a","v":1}]', "illegal name"),
        (b'[{"v":1}]', "illegal name"),
        (b'[{"bver":27,"n":"a","v":1}]', "version 27"),
        (b'[{"n":"a","v":1},{"bver":11,"n":"b","v":1}]', "version 11"),
    ],
)
def test_what_the_standard_forbids_is_refused(pack: bytes, reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        resolve(pack)


def test_unknown_fields_are_ignored() -> None:
    assert resolve(b'[{"n":"a","v":1,"x":{}}]') == [Record("a", "", 0, 1)]
