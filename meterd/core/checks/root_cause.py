"""One cause, one finding: what follows from another finding becomes its evidence instead of a finding of its own.

    forty points of a board fall silent   -> one finding of the board
    granted topics deliver nothing        -> one finding of the source; points that fall silent for it are evidence
    a broker is away                      -> one finding of the broker; its points and their balances are evidence
    a board lacks a silent point          -> evidence of the silence
    a register stands still               -> the residual of its board is evidence of it
    a meter is wrong                      -> what it says of unusual use is evidence of that

Pure: findings in, fewer findings out, each id stable as long as its cause lasts.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import LISTED, NAMED, SILENCE, WRONG_ENERGY, remedy
from meterd.core.model.periods import text
from meterd.core.model.plan import Site

MOST_EVIDENCE = 20  # sentences kept with one finding; the rest is counted
TOGETHER = 5  # points with nothing in common on paper that fall silent at the same time
TOGETHER_MS = 60_000  # "at the same time": one sample of a slow meter

STALE, SILENT, TOGETHER_CAUSE = "stale", "silent", "silent-together"
GROUPS = ("silent-source", "silent-board", "silent-riser", "silent-device", TOGETHER_CAUSE)
AWAY, BROKER = "source-away", "broker-silent"
_GRANTED = "nothing-received"
_REFUSED, _NOT_FOLLOWED = "refused", "not-followed"
_UNUSUAL = "unusual-use"
_NOT_COMPUTABLE, _OUTSIDE, _TOGETHER_OUTSIDE = "not-computable", "outside-band", "network-outside"


@dataclass(frozen=True, slots=True)
class Group:
    """Points that have something upstream in common."""

    cause: str
    subject: str
    words: str
    remedy: str
    points: frozenset[str]


def groups(site: Site) -> list[Group]:
    """What points may have in common upstream, largest first: a source, a board, a riser, one device or address."""
    read = {row.point for row in site.inputs}
    live = {p.name: p for p in site.points if p.counts and p.name in read}
    results: dict[tuple[str, str], set[str]] = {}
    for row in site.inputs:
        if row.point in live:
            results.setdefault(("silent-source", row.source), set()).add(row.point)
            results.setdefault(("silent-device", row.address), set()).add(row.point)
    for name, point in live.items():
        results.setdefault(("silent-board", point.board), set()).add(name)
        if point.below is not None:
            results.setdefault(("silent-riser", point.below), set()).add(name)
    kinds = {
        "silent-source": "source",
        "silent-board": "board",
        "silent-riser": "the points below",
        "silent-device": "address",
    }
    made = [
        Group(cause, subject, f"{kinds[cause]} {subject}", remedy(cause), frozenset(points))
        for (cause, subject), points in results.items()
        if len(points) > 1
    ]
    return sorted(made, key=lambda g: (-len(g.points), GROUPS.index(g.cause), g.subject))


def one_cause(
    site: Site,
    conditions: Iterable[Finding],
    *,
    lately: Sequence[Finding] = (),
    heard: Mapping[str, int] | None = None,
) -> list[Finding]:
    """The findings that stand for a cause of their own; the others are their evidence.

    `lately` are silences that are over, whose last balances still lack what was not delivered; `heard` is when each
    point was heard last, so that a board is not blamed for a point that is about to be found silent.
    """
    findings = _refused(list({finding.id: finding for finding in conditions}.values()))
    findings = _grouped(site, _granted(findings))
    findings = _together(site, findings)
    findings = _upstream(site, findings)
    findings = _balances(site, findings, lately, heard or {})
    return _use_of_wrong_meters(_together_outside(_residuals(site, findings)))


def with_evidence(finding: Finding, sentences: Iterable[str]) -> Finding:
    """The finding with more evidence; beyond `MOST_EVIDENCE` it is only counted."""
    every = [*finding.evidence, *sentences]
    if len(every) > MOST_EVIDENCE:
        every = [*every[: MOST_EVIDENCE - 1], f"and {len(every) - MOST_EVIDENCE + 1} more"]
    return replace(finding, evidence=tuple(every))


def _absorb(parent: Finding, children: Sequence[Finding]) -> Finding:
    sentences = [line for child in children for line in (child.text, *child.evidence)]
    points = dict.fromkeys((*parent.points, *(p for child in children for p in child.points)))
    return with_evidence(replace(parent, points=tuple(points)), sentences)


def _refused(findings: list[Finding]) -> list[Finding]:
    """Several registers of one point refused: one thing is wrong with what it sends. Then it is not silent either."""
    by_point: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.cause.startswith(f"{_REFUSED}-"):
            by_point.setdefault(finding.subject, []).append(finding)
    made = {}
    for point, several in by_point.items():
        item = several[0]
        if len(several) > 1:
            sentence = f"{point}: values of {len(several)} registers are refused; {item.text}"
            item = Finding(
                _REFUSED, point, item.at_ms, sentence, item.remedy, (point,), tuple(f.text for f in several[1:])
            )
        made[point] = _absorb(item, [f for f in findings if f.cause == STALE and f.subject == point])
    gone = {f.id for several in by_point.values() for f in several}
    gone |= {f.id for f in findings if f.cause == STALE and f.subject in made}
    return [f for f in findings if f.id not in gone] + list(made.values())


def _granted(findings: list[Finding]) -> list[Finding]:
    """Points are silent because nothing comes on their topics; where nothing at all comes, the site is silent."""
    site_silent = next((f for f in findings if f.cause == SILENT), None)
    granted = [f for f in findings if f.cause == _GRANTED]
    if site_silent is not None and granted:
        return [_only_text(f, granted) if f is site_silent else f for f in findings if f not in granted]
    for parent in granted:
        children = [f for f in findings if f.cause == STALE and set(f.points) <= set(parent.points)]
        findings = [_absorb(f, children) if f.id == parent.id else f for f in findings if f not in children]
    return findings


def _grouped(site: Site, findings: list[Finding]) -> list[Finding]:
    """Silent points that are all the points of a source, board, riser or device."""
    late = {f.subject: f for f in findings if f.cause == STALE}
    if len(late) < 2:
        return findings
    made = []
    for group in groups(site):
        if not group.points <= late.keys():
            continue
        members = [late.pop(name) for name in sorted(group.points)]
        since = max(finding.at_ms for finding in members)
        sentence = f"{group.words}: none of its {len(members)} points delivers values; the last one came {text(since)}"
        made.append(_absorb(Finding(group.cause, group.subject, since, sentence, group.remedy), members))
    return [f for f in findings if f.cause != STALE or f.subject in late] + made


def _together(site: Site, findings: list[Finding]) -> list[Finding]:
    """Many points that fell silent within a minute have a cause in common that the plan does not know: a switch, a fuse."""
    late = sorted((f for f in findings if f.cause == STALE), key=lambda f: (f.at_ms, f.subject))
    gone: list[Finding] = []
    texts = []
    for batch in _batches(late):
        if len(batch) >= TOGETHER:
            gone += batch
            texts.append(f"{len(batch)} points fell silent at {text(batch[0].at_ms)}")
    if not gone:
        return findings
    finding = Finding(
        TOGETHER_CAUSE, site.name, gone[0].at_ms, " and ".join(texts) + " within a minute of each other",
        remedy(TOGETHER_CAUSE),
    )  # fmt: skip
    ids = {f.id for f in gone}
    return [f for f in findings if f.id not in ids] + [_absorb(finding, gone)]


def _batches(late: list[Finding]) -> Iterator[list[Finding]]:
    batch: list[Finding] = []
    for finding in late:
        if batch and finding.at_ms - batch[0].at_ms > TOGETHER_MS:
            yield batch
            batch = []
        batch.append(finding)
    if batch:
        yield batch


def _upstream(site: Site, findings: list[Finding]) -> list[Finding]:
    """A broker or source that is away explains the silence of everything it carries."""
    own_host = {source.name for source in site.sources if any(key == "host" for key, _ in source.options)}
    if any(f.cause == BROKER for f in findings):
        away = [f for f in findings if f.cause == AWAY and f.subject not in own_host]
        findings = [_absorb(f, away) if f.cause == BROKER else f for f in findings if f not in away]
    carried: dict[str, set[str]] = {}
    for row in site.inputs:
        carried.setdefault(row.point, set()).add(row.source)
    for parent in [f for f in findings if f.cause in (BROKER, AWAY)]:
        gone = {parent.subject} if parent.cause == AWAY else carried_by_default(site) - own_host
        children = [
            f for f in findings
            if (f.cause in (STALE, SILENT, *GROUPS) and f.points and all(p in carried and carried[p] <= gone for p in f.points))
            or (f.cause == _GRANTED and f.subject in gone)
        ]  # fmt: skip
        findings = [_absorb(f, children) if f.id == parent.id else f for f in findings if f not in children]
    return findings


def carried_by_default(site: Site) -> set[str]:
    """Sources that listen at the site's own broker unless they name another host."""
    return {source.name for source in site.sources if source.protocol == "mqtt"}


def _balances(
    site: Site, findings: list[Finding], lately: Sequence[Finding], heard: Mapping[str, int]
) -> list[Finding]:
    """A balance that lacks silent or refused points says nothing new."""
    parents = [f for f in findings if f.cause in SILENCE or f.cause.startswith((_REFUSED, _NOT_FOLLOWED))]
    silent = {point for f in (*parents, *lately) for point in f.points}
    stored: list[Finding] = []
    taken: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.cause != _NOT_COMPUTABLE or not finding.points:
            stored.append(finding)
            continue
        end_ms = finding.at_ms + site.interval_s * 1000
        # not heard since the end of the interval: either it comes back and the balance with it, or it is found silent soon
        open_ = [p for p in finding.points if p not in silent and heard.get(p, end_ms) >= end_ms]
        if open_:
            stored.append(finding)
        elif owner := next((f for f in parents if set(f.points) & set(finding.points)), None):
            taken.setdefault(owner.id, []).append(finding)
    return [_only_text(f, taken[f.id]) if f.id in taken else f for f in stored]


def _only_text(parent: Finding, children: Sequence[Finding]) -> Finding:
    return with_evidence(parent, (child.text for child in children))


def _residuals(site: Site, findings: list[Finding]) -> list[Finding]:
    """A residual outside its band on the board of a point whose energy is known to be wrong is evidence of that."""
    boards = {point.name: point.board for point in site.points if point.below is None}
    wrong: dict[str, Finding] = {}
    for finding in findings:
        if finding.cause in WRONG_ENERGY and finding.subject in boards:
            wrong.setdefault(boards[finding.subject], finding)
    taken = {wrong[f.subject].id: f for f in findings if f.cause == _OUTSIDE and f.subject in wrong}
    gone = {f.id for f in taken.values()}
    return [_only_text(f, [taken[f.id]]) if f.id in taken else f for f in findings if f.id not in gone]


def _use_of_wrong_meters(findings: list[Finding]) -> list[Finding]:
    """Unusual use that a meter shows which is found wrong itself says nothing of the load."""
    wrong = {f.subject: f.id for f in reversed(findings) if f.cause in NAMED}
    use = [f for f in findings if f.cause == _UNUSUAL and f.subject in wrong]
    findings = [f for f in findings if f not in use]
    taken = {wrong[f.subject]: f for f in use}
    return [_only_text(f, [taken[f.id]]) if f.id in taken else f for f in findings]


def _together_outside(findings: list[Finding]) -> list[Finding]:
    """All balances that do not close together say nothing new where one of them, or a meter in one, is reported."""
    tests = [f for f in findings if f.cause == _TOGETHER_OUTSIDE]
    causes = (*NAMED, *LISTED, _OUTSIDE)
    owner = min((f for f in findings if f.cause in causes), key=lambda f: (causes.index(f.cause), f.id), default=None)
    if not tests or owner is None:
        return findings
    return [_only_text(f, tests) if f.id == owner.id else f for f in findings if f not in tests]
