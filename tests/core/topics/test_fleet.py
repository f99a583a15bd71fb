"""What several sites retain on their brokers gives one row each: by its own word and by the age of it."""

import json
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from meterd.core.topics.fleet import SiteRow, SiteState, as_fields, differing, site_rows
from meterd.core.topics.message import Service

NOW = 1_777_852_800_000
LIVE = Service(True, "a1", 7, 12, "0.1.0", NOW - 9_000, 10, "2026f", title="Harrow Mill")


def payload(service: Service) -> bytes:
    """The retained message of a site."""
    return service.message("energy/x").payload


def one(content: bytes, **more: bytes) -> SiteRow:
    """The row of a fleet of one."""
    (row,) = site_rows("energy", {"energy/mill/service": content, **more}, NOW)
    return row


def test_three_versions_are_listed_side_by_side() -> None:
    """H7: fields an older version does not send are empty, fields a newer one adds are left alone."""
    fields = json.loads(payload(LIVE))
    older = {name: value for name, value in fields.items() if name != "zone_rules"} | {"version": "0.0.9"}
    newer = fields | {"version": "0.3.0", "zone_rules": "2027a", "colour": ["new", 1]}
    rows = site_rows(
        "energy",
        {
            "energy/mill/service": payload(LIVE),
            "energy/yard/service": json.dumps(older).encode(),
            "energy/quay/service": json.dumps(newer).encode(),
            "energy/yard/finding/stale-q01": b"{}",
            "energy/yard/finding/stale-q02": b"{}",
            "energy/mill/site/draw": b"5",
        },
        NOW,
    )
    assert [(r.site, r.version, r.zone_rules, r.epoch, r.findings, r.well) for r in rows] == [
        ("mill", "0.1.0", "2026f", 7, 0, True),
        ("quay", "0.3.0", "2027a", 7, 0, True),
        ("yard", "0.0.9", "", 7, 2, True),
    ]
    assert differing(rows) == [
        "3 versions of the program: 0.0.9 (1 sites), 0.1.0 (1 sites), 0.3.0 (1 sites)",
        "2 editions of the zone rules: 2026f (1 sites), 2027a (1 sites)",
    ]
    assert differing(rows[:1]) == []


def test_a_word_that_is_old_is_not_believed() -> None:
    """`live` with three heartbeats missing is silent; a last will is gone; a clock ahead of ours is no age."""
    assert one(payload(replace(LIVE, heartbeat_ms=NOW - 30_000))).living is SiteState.LIVE
    silent = one(payload(replace(LIVE, heartbeat_ms=NOW - 30_001)))
    assert (silent.living, silent.age_s, silent.well) == (SiteState.SILENT, 30.001, False)
    gone = one(payload(replace(LIVE, live=False, heartbeat_ms=None)))
    assert (gone.living, gone.age_s, gone.version) == (SiteState.GONE, None, "0.1.0")
    assert one(payload(replace(LIVE, heartbeat_ms=NOW + 5000))).age_s == 0


@given(st.binary(max_size=80))
def test_what_is_not_understood_is_said(content: bytes) -> None:
    """Any bytes on the topic: a row without a version, never a guess and never an exception."""
    row = one(content)
    assert (row.living, row.version, row.epoch, row.well) == (SiteState.UNREADABLE, "", None, False)
    assert as_fields(row, "broker:1883", NOW)["state"] == "not understood"


def test_programs_get_null_for_what_is_not_known() -> None:
    """The fields of a live and of a gone site."""
    assert as_fields(one(payload(LIVE)), "b:1883", NOW) == {
        "site": "mill", "title": "Harrow Mill", "broker": "b:1883",
        "state": "live", "version": "0.1.0", "zone_rules": "2026f", "epoch": 7,
        "heartbeat_age_s": 9.0, "findings": 0, "seen": "2026-05-04T00:00:00Z",
    }  # fmt: skip
    gone = as_fields(one(payload(replace(LIVE, live=False, heartbeat_ms=None, zone_rules="", title=""))), "b:1883", NOW)
    assert (gone["heartbeat_age_s"], gone["zone_rules"], gone["title"]) == (None, None, None)
