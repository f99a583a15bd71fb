"""What the page of energies answers, as values: for the template, the pictures, the file of figures and programs."""

from meterd.adapters.web.common import PageValues, Values
from meterd.adapters.web.pages.energy_query import EnergyQuery


class Option(Values):
    """Something that can be chosen."""

    key: str
    title: str
    chosen: bool


class OptionGroup(Values):
    """A kind of things that can be chosen."""

    name: str
    options: list[Option]


class SeriesLine(Values):
    """One energy over the steps, in mWh, None = missing or to come; rows that are estimated or only part of their step.

    `why` leads to what made a figure: the address with {start}, {end} and {step}; empty where it is restricted.
    """

    key: str
    title: str
    kind: str
    values: list[int | None]
    estimated: list[int]
    partial: list[int]
    why: str


class RankLine(Values):
    """One energy of the range with its share, its change, its base load and its peak.

    `energy_mwh` None: a part is missing; `known_mwh` adds up the steps that are known, `known` of `of`. `share` is of all
    that is known. Powers are means of a step in W.
    """

    key: str
    title: str
    kind: str
    energy_mwh: int | None
    known_mwh: int
    known: int
    of: int
    estimated: bool
    share: float | None
    before_mwh: int | None
    change: float | None
    base_w: int | None
    peak_w: int | None
    peak_ms: int | None
    at_peak_mwh: int | None
    why: str


class Hours(Values):
    """Mean power of each local hour (24 rows) of each local day in W; `gone` marks those that are missing."""

    days_ms: list[int]
    watt: list[list[int | None]]
    gone: list[list[bool]]


class CurveLine(Values):
    """A duration curve: parts of the known time with the power in W that is reached or exceeded in them."""

    key: str
    title: str
    places: list[tuple[float, float]]


class FlowLine(Values):
    """One band of the energy flow, mWh; None = missing."""

    kind: str
    board: str
    point: str
    into: str
    energy_mwh: int | None


class PriceLine(Values):
    """A price, what it was multiplied with (kWh, kW or periods) and the product in 1/10,000 of the currency or mg of CO2.

    `at_ms`: when the interval of the demand began, if the demand is one of this period.
    """

    name: str
    kind: str
    unit: str
    quantity: float | None
    price: str
    amount: int | None
    at_ms: int | None


class ItemCost(Values):
    """What one energy would cost if all of it came from the grid: mWh, 1/10,000 of the currency, mg of CO2.

    `part` is what it bears of demand and fixed prices; None where none are billed, or one is missing. `part_coins` is the
    sum of the same in whole coins, each price rounded by itself.
    """

    key: str
    title: str
    kind: str
    energy_mwh: int | None
    amount: int | None
    part: int | None
    part_coins: int | None
    at_least: bool  # energy and amounts are lower bounds
    co2_mg: int | None
    alone: str  # the address of this energy alone, with its prices


class DividedLine(Values):
    """A demand or fixed price that is divided, by `energy` or `peak`; `at_ms` is when the interval of the demand began.

    `rest` is what nothing that is shown bears; None where that overlaps.
    """

    name: str
    division: str
    at_ms: int | None
    amount: int | None
    rest: int | None


class CostView(Values):
    """The answer. `billed`: the lines are a whole bill; else only what is priced by the kWh in the range."""

    currency: str
    billed: bool
    lines: list[PriceLine]
    amount: int | None
    at_least: bool  # what came from the grid in a whole month or year is a lower bound
    missing: int  # intervals of the connection that are not known, of ...
    of: int
    with_pv: bool
    saved: int | None
    saved_mwh: int | None
    earned: int | None
    with_co2: bool
    co2_mg: int | None
    avoided_mg: int | None
    items: list[ItemCost]
    divided: list[DividedLine]
    total: ItemCost | None
    item_lines: list[PriceLine]  # of the only item
    left_out: bool
    later: str  # the address of the same with the costs of each energy, where they are not made at once


class EnergyView(PageValues):
    """The answer. `edges` are the starts of the steps with the end of the last; figures end at `known_until_ms`."""

    query: EnergyQuery
    groups: list[OptionGroup]
    restricted: bool
    from_ms: int
    until_ms: int
    known_until_ms: int
    period: str
    earlier: str
    later: str
    begins: bool
    so_far: bool
    step: str
    steps: list[str]
    edges: list[int]
    series: list[SeriesLine]
    drawn: list[SeriesLine]
    before: list[int | None]
    before_from_ms: int | None
    before_until_ms: int | None
    ranking: list[RankLine]
    overlapping: bool = False  # an energy may be in two of them: no sum, no shares, and lines instead of areas
    total: RankLine | None
    hours: Hours | None
    curves: list[CurveLine]
    flows: list[FlowLine]
    priced: bool  # whether the plan has a tariff
    cost: CostView | None
    too_much: bool  # the range is too long for the costs of so many energies
