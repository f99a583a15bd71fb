"""Slips in the record of an exchange are reported at their field."""

import pytest

from meterd.adapters.web.request_context import RequestContext
from tests.adapters.web.corrections.exchange_requests import swapped


@pytest.mark.parametrize(
    ("fields", "field", "fault"),
    [
        ({"out": ""}, "out", "missing"),
        ({"out": "2026-05-04"}, "out", "no_time"),
        ({"out": "2027-05-04 09:30"}, "out", "future"),
        ({"out": "2026-01-04 09:30"}, "out", "before_fitted"),
        ({"into": "2026-05-04 14:00"}, "into", "before_out"),
        ({"closing": ["12.05", "0 kWh", "0 kvarh"]}, "closing-0", "unit"),
        ({"closing": ["12.05 kvarh", "0 kWh", "0 kvarh"]}, "closing-0", "unit"),
        ({"closing": ["12,050 kWh", "0 kWh", "0 kvarh"]}, "closing-0", "two_readings"),
        ({"closing": ["NaN kWh", "0 kWh", "0 kvarh"]}, "closing-0", "reading"),
        ({"closing": ["-1 kWh", "0 kWh", "0 kvarh"]}, "closing-0", "reading"),
        ({"closing": ["1.0000001 kWh", "0 kWh", "0 kvarh"]}, "closing-0", "too_fine"),
        ({"opening": ["1 kWh", "0 kWh"]}, "opening-2", "missing"),
        ({"serial": ""}, "serial", "missing"),
        ({"meter_class": "D"}, "meter_class", "of_meter_class"),
        ({"ct_ratio": "250"}, "ct_ratio", "of_ct_ratio"),
        ({"out": "2026-05-04 14:30", "into": "2026-05-04 14:45"}, "gap-0", "no_estimate"),
    ],
)
def test_slips_of_an_exchange_are_reported_at_their_field(
    fields: dict[str, object], field: str, fault: str, exchange_context: RequestContext
) -> None:
    """No entry is proposed before all of it can be entered."""
    view = swapped(exchange_context, **fields)
    assert [(fault.field, fault.fault) for fault in view.faults] == [(field, fault)]
    assert (view.record, view.doubts) == (None, [])
    assert view.written["serial"] == str(fields.get("serial", "B-3"))
