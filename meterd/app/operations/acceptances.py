"""Changes of instruments and of use that people have taken as the new normal, kept as facts of the store."""

import json
from dataclasses import asdict, dataclass

from meterd.core.errors import ConfigError
from meterd.core.model.facts import Facts
from meterd.core.model.finding import Finding

ACCEPTED = "drift_accepted"  # fact of a store: changes that people have accepted, as JSON
UNUSUAL_ACCEPTED = "unusual_accepted"  # the same for use that is now usual
FACTS = {
    "drift": ACCEPTED,
    "balance-shift": ACCEPTED,
    "unusual-use": UNUSUAL_ACCEPTED,
}  # of findings that can be accepted


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A finding that somebody has taken as the new normal; `since_ms` is when the finding says it was seen."""

    id: str
    points: tuple[str, ...]
    since_ms: int
    at_ms: int
    person: str
    note: str


def accepted_before(store: Facts, fact: str = ACCEPTED) -> list[Acceptance]:
    """All acceptances of a store of one kind, oldest first."""
    result = json.loads(store.fact(fact) or "[]")
    return [Acceptance(**{**item, "points": tuple(item["points"])}) for item in result]


def with_acceptance(store: Facts, finding: Finding, at_ms: int, *, person: str, note: str) -> tuple[str, str]:
    """The fact with one more acceptance: its name and value. ConfigError for a finding that cannot be the new normal."""
    if finding.cause not in FACTS:
        raise ConfigError(
            f"{finding.id} is no change of an instrument or load that could be the new normal; --close ends it"
        )
    named = finding.points if finding.cause == "balance-shift" else (finding.subject,)
    acceptance = Acceptance(finding.id, named, finding.at_ms, at_ms, person, note)
    every = (*accepted_before(store, FACTS[finding.cause]), acceptance)
    return FACTS[finding.cause], json.dumps([asdict(item) for item in every], ensure_ascii=False)
