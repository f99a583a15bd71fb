"""What a question names - moments, points, boards - as a person writes it: read here, or refused with what would be right."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

from meterd.adapters.texts.near_points import near_points
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, bounds, to_ms
from meterd.core.model.plan import Site
from meterd.core.model.written import iso_date

FIRST_YEAR, LAST_YEAR = 1970, 2200  # no meter was read before, and no store holds what comes after


def moment(text: str, zone: ZoneInfo, option: str) -> int:
    """A moment as a person writes it, in ms UTC; ConfigError says what would be right."""
    text = iso_date(text)
    wrong = f"cannot read {option} {text!r}"
    right = "write 2026, 2026-03, 2026-03-29, 29.03.2026 or 2026-03-29T10:00:00Z"
    year = text[:4]
    if year.isascii() and year.isdigit() and not FIRST_YEAR <= int(year) <= LAST_YEAR:
        raise ConfigError(f"{wrong}: the year is not one of {FIRST_YEAR} to {LAST_YEAR}; {right}")
    try:
        if len(text) == 4:
            return bounds(Period.YEAR, to_ms(datetime(int(text), 7, 1, tzinfo=UTC)), zone, 900_000)[0]
        if len(text) == 7:
            middle = datetime(int(year), int(text[5:]), 15, tzinfo=UTC)
            return bounds(Period.MONTH, to_ms(middle), zone, 900_000)[0]
        if len(text) == 10:
            day = date.fromisoformat(text)
            return bounds(Period.DAY, to_ms(datetime(day.year, day.month, day.day, 12, tzinfo=zone)), zone, 900_000)[0]
        result = datetime.fromisoformat(text)
    except (ValueError, OverflowError) as exc:  # the calendar ends at both ends, and zones reach beyond it
        raise ConfigError(f"{wrong}: no such date or time; {right}") from exc
    if result.tzinfo is None:
        raise ConfigError(f"{wrong}: the time has no zone; {right}")
    return to_ms(result)


def as_of(text: str | None, site: Site) -> int | None:
    """The moment of `--as-of`, if it was given."""
    return None if text is None else moment(text, ZoneInfo(site.zone), "--as-of")


def some_points(site: Site, wanted: Sequence[str]) -> list[str]:
    """The points asked for, by name or alias; all that count if none is named. ConfigError for an unknown one."""
    if not wanted:
        return [p.name for p in site.points if p.counts]
    known = {name: p.name for p in site.points for name in (p.name, *p.aliases)}
    for name in wanted:
        if name not in known:
            near = near_points(site, name)
            hint = f"did you mean {' or '.join(near)}?" if near else "its names stand in points.csv or under [[point]]"
            raise ConfigError(f"the plan has no point {name}; {hint}")
    return [known[name] for name in wanted]


def some_boards(site: Site, wanted: Sequence[str]) -> list[str]:
    """The boards asked for; all of them if none is named. ConfigError for an unknown one."""
    names = [board.name for board in site.boards]
    for name in wanted:
        if name not in names:
            raise ConfigError(f"the plan has no board {name}; it has {', '.join(names)}")
    return list(wanted) or names
