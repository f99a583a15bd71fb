"""A fault of the plan: where it is, what is wrong and what would be right."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from meterd.core.errors import ConfigError


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a plan file; line and column count from 1, None where nobody can know them."""

    file: str
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        return ":".join(str(part) for part in (self.file, self.line, self.column) if part is not None)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in the plan, and the remedy."""

    file: str
    line: int | None
    column: int | None
    what: str
    right: str

    def __str__(self) -> str:
        return f"{Place(self.file, self.line, self.column)}: {self.what}; {self.right}"


class PlanError(ConfigError):
    """The plan has faults; all of them are in `faults`, in the order of the files."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        noun = "fault" if len(self.faults) == 1 else "faults"
        super().__init__("\n".join([f"the plan has {len(self.faults)} {noun}", *map(str, self.faults)]))


@dataclass(slots=True)
class Notes:
    """What was found so far: faults refuse the plan, warnings do not."""

    # dictionaries as sets that keep the order
    faults: dict[Fault, None] = field(default_factory=dict)
    warnings: dict[Fault, None] = field(default_factory=dict)

    def fault(self, place: Place, what: str, right: str) -> None:
        """Note a fault, once per place and text."""
        self.faults.setdefault(Fault(place.file, place.line, place.column, what, right))

    def warn(self, place: Place, what: str, right: str) -> None:
        """Note something the plan may have and a person should look at."""
        self.warnings.setdefault(Fault(place.file, place.line, place.column, what, right))
