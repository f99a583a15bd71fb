"""The points of a new plan asked for on a terminal: name, role, board and topic of each, the likely answer in brackets."""

from collections.abc import Callable, Iterator

from meterd.app.operations.point_list import ListedPoint, PointList, listed_point
from meterd.core.errors import ConfigError
from meterd.core.model.names import spelled
from meterd.core.model.plan import Role

Ask = Callable[[str], str]
HEAD = "Metering points, one after the other. Enter takes the answer in brackets; an empty name ends the list."


def asked_points(ask: Ask, say: Callable[[str], None]) -> PointList:
    """The points that a person names. ConfigError if none is named. EOFError of `ask` ends the list."""
    say(HEAD)
    points: list[ListedPoint] = []
    for point in _asked(ask, say, points):
        points.append(point)
    if not points:
        raise ConfigError("no point is named, and nothing is written")
    return PointList(tuple(points), {}, ())


def _asked(ask: Ask, say: Callable[[str], None], points: list[ListedPoint]) -> Iterator[ListedPoint]:
    while True:
        try:
            answer = ask(f"point {len(points) + 1}, as people call it: ").strip()
            if not answer:
                return
            point = listed_point({"title": answer}, len(points) + 1, {spelled(p.name) for p in points})
            if point is None:
                say(f"{answer!r} has no letter that a name can have; write for example: bakery ovens")
                continue
            point.guesses.clear()  # what is confirmed is no guess
            yield _completed(point, ask, say, points)
        except EOFError:
            say("")
            return


def _completed(point: ListedPoint, ask: Ask, say: Callable[[str], None], points: list[ListedPoint]) -> ListedPoint:
    values, roles = point.values, [role.value for role in Role]
    values["role"] = _one_of(ask, say, "  role", roles, values["role"])
    if values["role"] == Role.SUB:
        values["below"] = _one_of(ask, say, "  below which point", [p.name for p in points], "")
    values["board"] = _or(ask("  board [{}]: ".format(last := points[-1].values["board"] if points else "main")), last)
    topic = ask("  MQTT topic of its energy in kWh [not read yet]: ").strip()
    return ListedPoint(values | ({"address": topic} if topic else {}), row=point.row)


def _one_of(ask: Ask, say: Callable[[str], None], question: str, known: list[str], likely: str) -> str:
    while True:
        answer = _or(ask(f"{question} ({', '.join(known)})" + (f" [{likely}]: " if likely else ": ")), likely)
        if answer in known:
            return answer
        say(f"  {answer!r} is none of them")


def _or(answer: str, likely: str) -> str:
    return answer.strip() or likely
