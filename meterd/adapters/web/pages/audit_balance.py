"""Why one balance of a board is what it is: its terms with the uncertainty of each, residual, band and verdict again."""

from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.common import Values, former
from meterd.adapters.web.pages.audit_energy import flag_words
from meterd.core.balance.board_balance import Term
from meterd.core.energy.aggregation import BoardAggregation, Parent, board_aggregations, children_of
from meterd.core.energy.audit import Share, shares, sides
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import BalanceRow, Channel
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in

NO_BAND = (Period.YEAR,)  # 35,040 quarter hours of every point: seconds, for what its months show as well


class RegisterTerm(Values):
    """The energy of one register of a term; `sign` is that of the register along the arrow of the point."""

    register_code: str
    sign: int
    energy_mwh: int | None
    flags: list[str]


class TermLine(Values):
    """One point in the balance: its energies, and what it brings into the band (mWh, `u_mwh` a standard uncertainty).

    `clock_s` is how far the clock of its meter may be off; `step_u_mwh` is what that and the resolution bring in.

    `hidden`: its energies are not for this viewer, and left out. `assumed`: a default stands for what the plan lacks.
    """

    point: str
    title: str
    sign: int
    hidden: bool
    registers: list[RegisterTerm]
    energy_mwh: int | None
    meter_class: str | None
    ct_class: str | None
    ct_set: str | None
    assumed: bool
    meter_limit_mwh: int | None
    ct_limit_mwh: int | None
    clock_s: int
    step_u_mwh: int | None
    u_mwh: int | None


class BalanceWhy(Values):
    """The answer for one balance in mWh, None = missing.

    `word` compares the stored figures with what is recalculated: "agrees", "differs", or "unknown" where nothing is
    stored. `again_band_mwh` and `again_verdict` are left out (None, "") for years.
    """

    board: str
    title: str
    period: str
    start_ms: int
    end_ms: int
    stored: bool
    kept = former("stored", bool)
    feed_mwh: int | None
    outgoing_mwh: int | None
    residual_mwh: int | None
    band_mwh: int | None
    verdict: str
    estimated: bool
    missing: list[str]
    uncovered: list[str]
    word: str
    again_feed_mwh: int | None
    again_outgoing_mwh: int | None
    again_residual_mwh: int | None
    again_band_mwh: int | None
    again_verdict: str
    terms: list[TermLine]


def why_balance(
    reads: Reads, site: Site, board: str, *, kind: Period, span: tuple[int, int], viewer: Viewer
) -> BalanceWhy:
    """One balance of a board of the plan; `span` is the whole period."""
    row = next(iter(reads.balances(board, kind, span[0], span[0] + 1)), None)
    aggregation = board_aggregations(site, clocks_in(reads.fact(METER_CLOCKS)))[board]
    own = _stored_terms(reads, aggregation, kind, span[0])
    again = sides(aggregation, [_net(register_terms) for register_terms in own])
    made, results = (None, {}) if kind in NO_BAND else _banded(reads, site, aggregation, kind=kind, span=span)
    return BalanceWhy(
        board=board,
        title=next(item.title for item in site.boards if item.name == board),
        period=str(kind),
        start_ms=span[0],
        end_ms=span[1],
        stored=row is not None,
        feed_mwh=None if row is None else row.feed,
        outgoing_mwh=None if row is None else row.outgoing,
        residual_mwh=None if row is None else row.residual,
        band_mwh=None if row is None else row.band,
        verdict="" if row is None else row.verdict,
        estimated=row is not None and row.estimated,
        missing=[] if row is None else list(row.missing),
        uncovered=[] if row is None else list(row.uncovered),
        word=_word(row, (again.feed, again.outgoing, again.residual), made),
        again_feed_mwh=again.feed,
        again_outgoing_mwh=again.outgoing,
        again_residual_mwh=again.residual,
        again_band_mwh=None if made is None else made.band,
        again_verdict="" if made is None else made.verdict,
        terms=[
            _term(site, viewer, term, energies=energies, share=(span[0], results.get(term.point)))
            for term, energies in zip(aggregation.terms.terms, own, strict=True)
        ],
    )


def _word(row: BalanceRow | None, again: tuple[int | None, ...], made: BalanceRow | None) -> str:
    if row is None:
        return "unknown"
    same = again == (row.feed, row.outgoing, row.residual)
    if made is not None:
        same = same and (made.residual, made.band, made.verdict) == (row.residual, row.band, row.verdict)
    return "agrees" if same else "differs"


def _stored_terms(reads: Reads, aggregation: BoardAggregation, kind: Period, start: int) -> list[list[RegisterTerm]]:
    """For each term the stored energies of its registers in the period itself."""
    plan = aggregation.plan
    wanted: list[Channel] = [*plan.imports, *plan.exports]
    columns = reads.columns(wanted, kind, np.array([start], dtype=np.int64))

    def term(i: int, register: str, sign: int) -> RegisterTerm:
        energy = int(columns.energy[0, i]) if columns.present[0, i] else None
        return RegisterTerm(
            register_code=register, sign=sign, energy_mwh=energy, flags=flag_words(int(columns.flags[0, i]))
        )

    count = len(plan.points)
    return [[term(i, IMPORT, 1), *([term(count + i, EXPORT, -1)] if plan.has_export[i] else [])] for i in range(count)]


def _net(registers: list[RegisterTerm]) -> int | None:
    known = [
        register_term.sign * register_term.energy_mwh
        for register_term in registers
        if register_term.energy_mwh is not None
    ]
    return sum(known) if len(known) == len(registers) else None


def _banded(
    reads: Reads, site: Site, aggregation: BoardAggregation, *, kind: Period, span: tuple[int, int]
) -> tuple[BalanceRow, dict[str, Share]]:
    """The balance from all its intervals, as the daemon makes it, and what each point brings into the band."""
    step, parent = site.interval_s * 1000, Parent(kind, *span)
    children = children_of([parent], Period.INTERVAL, ZoneInfo(site.zone), step)
    begin, plan = children.start_ms, aggregation.plan
    imports, exports = (reads.columns(item, Period.INTERVAL, begin) for item in (plan.imports, plan.exports))
    net = plan.net(imports, exports)
    rows = (
        aggregation.interval_rows(begin, begin + step, net)
        if kind is Period.INTERVAL
        else aggregation.period_rows([parent], children, begin + step, net)
    )
    return rows[0], {share.point: share for share in shares(aggregation, begin, begin + step, net)}


def _term(
    site: Site, viewer: Viewer, term: Term, *, energies: list[RegisterTerm], share: tuple[int, Share | None]
) -> TermLine:
    (start, result), point = share, term.point
    hidden = not viewer.sees(point, site)
    net = _net(energies)
    shown = None if hidden or net is None else result  # the limits of a missing energy say nothing
    return TermLine(
        point=point,
        title=site.point(point).title,
        sign=term.sign,
        hidden=hidden,
        registers=[] if hidden else energies,
        energy_mwh=None if hidden else net,
        meter_class=None if result is None else result.accuracy.meter_class,
        ct_class=None if result is None else result.accuracy.ct_class,
        ct_set=None if result is None else result.accuracy.ct_set,
        assumed=result is not None and result.accuracy.assumed,
        meter_limit_mwh=None if shown is None else round(shown.meter_limit),
        ct_limit_mwh=None if shown is None or shown.accuracy.ct_class is None else round(shown.ct_limit),
        clock_s=term.clock_s(start),
        step_u_mwh=None if shown is None else round(shown.step),
        u_mwh=None if shown is None else round(shown.uncertainty),
    )
