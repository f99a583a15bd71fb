"""What shares came to: kept compactly, read back the same, summed to PV used, import avoided, energy and switchings."""

import pytest

from meterd.core.sharing.history import SLOTS, ShareRow, add, from_text, sharing_effect, slot, to_text

MINUTE = 60_000


def sample(row: ShareRow, **more: int) -> ShareRow:
    """A minute with 10 kW of PV, 4 kW exported, with shares 1 kW."""
    figures = {"production_w": 10_000, "export_w": 4_000, "would_export_w": 1_000, **more}
    return add(row, MINUTE, shares_w={"a": 3_000, "b": 0}, switched=["a"], **figures)


def test_row_comes_back_as_it_was() -> None:
    """Text and back; what is no row is refused."""
    row = sample(sample(ShareRow(0, "shadow")))
    assert from_text(to_text(row)) == row
    assert row.energy == {"a": 2 * 3_000 * MINUTE}
    for text in ("{}", "[]", '{"start_ms":1}', "nonsense"):
        with pytest.raises(ValueError):
            from_text(text)


def test_a_span_is_summed_up() -> None:
    """60 minutes: 10 kWh of PV, 6 used, 9 with shares; all energy to one of two: Jain index one half."""
    row = ShareRow(0, "shadow")
    for _ in range(60):
        row = sample(row)
    result = sharing_effect([row], ["a", "b"])
    assert result.hours == pytest.approx(1.0)
    assert (result.production, result.used, result.would_use) == (10_000, 6_000, 9_000)
    assert result.self_consumption == (0.6, 0.9)
    assert (result.energy, result.switches) == ({"a": 3_000, "b": 0}, {"a": 60, "b": 0})
    assert result.fairness == 0.5


def test_netting_over_an_interval_uses_more() -> None:
    """Half an hour of 3 kW out, half an hour of 1 kW in: 3.5 of 5 kWh are used by the sample, 4 of 5 netted over the hour."""
    row = ShareRow(0, "shadow")
    for minute in range(60):
        row = sample(row, production_w=5_000, export_w=(3_000 if minute < 30 else -1_000), would_export_w=0)
    result = sharing_effect([row], ["a"])
    assert result.self_consumption == (0.7, 1.0)
    assert result.netted_consumption == (0.8, 1.0)
    assert sharing_effect([], ["a"]).netted_consumption == (None, None)


def test_import_avoided_is_the_difference() -> None:
    """2 kW imported for an hour, 0.5 kW with shares: 1.5 kWh avoided; export beyond the production is no PV."""
    row = ShareRow(0, "shadow")
    for _ in range(60):
        row = sample(row, production_w=0, export_w=-2_000, would_export_w=-500)
    result = sharing_effect([row], ["a"])
    assert result.import_avoided == 1_500
    assert result.self_consumption == (None, None)


def test_no_rows_know_nothing() -> None:
    """Without a row there are no ratios and no fairness."""
    result = sharing_effect([], ["a"])
    assert (result.used, result.would_use, result.fairness, result.hours) == (None, None, None, 0)


def test_places_are_used_again_after_sixty_days() -> None:
    """The ring holds sixty days of quarter hours."""
    assert SLOTS * 900 == 60 * 86_400
    assert slot(0, 900_000) == slot(60 * 86_400_000, 900_000)
    assert len({slot(i * 900_000, 900_000) for i in range(SLOTS)}) == SLOTS
