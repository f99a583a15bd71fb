"""Which points were meant where the plan has none of the name that was written."""

from difflib import get_close_matches

from meterd.core.model.plan import Site

MOST = 3  # so many are a hint, more would be a list


def near_points(site: Site, asked: str) -> tuple[str, ...]:
    """Names of the nearest points, best first: like a name or a former name, with it as a part, or like a title."""
    names = {name: point.name for point in site.points for name in (point.name, *point.aliases)}
    titles = {point.title.casefold(): point.name for point in site.points if point.title}
    text = asked.strip().casefold()
    near = [names[name] for name in get_close_matches(text, names, MOST)]
    near = near or [point for name, point in names.items() if text and text in name]
    near = near or [titles[title] for title in get_close_matches(text, titles, MOST)]
    return tuple(dict.fromkeys(near))[:MOST]
