"""Rows of derived values: which ones carry a bare time, and that each row can be taken from any snapshot."""

from meterd.core.model.reading import Quality
from meterd.core.topics.definition import MISSING, Each, TimeBasis
from meterd.core.topics.table import ROWS, VERDICTS


def test_values_that_controllers_act_on_carry_their_time() -> None:
    """Those of the site and of consumers, and no others: a point or board would double its topics for nobody."""
    assert {row.each for row in ROWS if row.dated} == {Each.SITE, Each.CONSUMER}
    assert {row.each for row in ROWS if not row.dated} == {Each.BOARD, Each.POINT}


def test_a_pattern_has_the_placeholder_of_what_it_repeats_over() -> None:
    """A row for each board has {board} in its topic once, one of the site has no placeholder; no two have one pattern."""
    for row in ROWS:
        wanted = 0 if row.each is Each.SITE else 1
        assert row.pattern.count("{") == row.pattern.count(f"{{{row.each}}}") == wanted, row.pattern
    assert len({row.pattern for row in ROWS}) == len(ROWS)


def test_what_is_missing_is_invalid_and_no_number() -> None:
    """Never 0."""
    assert (MISSING.value, MISSING.state) == (None, Quality.INVALID)


def test_what_a_bare_number_falls_back_to() -> None:
    """A word falls back to that for "not known"; an energy of a closed period or a register never becomes 0."""
    for row in ROWS:
        if row.fallback is not None and not row.unit:
            known = row.words or VERDICTS
            assert row.fallback == known.get("unknown", known.get("not computable")), row.pattern
        if row.unit and row.follows in (TimeBasis.CLOSED, TimeBasis.COUNTER):
            assert row.fallback is None, row.pattern
