"""The causes of findings: how urgent each is, where it comes from, what it says of the points it names, what to do.

The one table that page, grouping, messages and documents read. Its order is the order of urgency: what stands further up is
dealt with first. A cause that ends in `-` stands for one per register (`refused-import`). A finding may say a remedy with
figures or names of its own; that of the table is the general one.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum, StrEnum

_NETWORK = "look at the network of {} before its meters"
_REPORT = "this is a fault of the program, not of the site: report it with this text; nothing that was read is lost"


class Urgency(IntEnum):
    """How soon a person is needed; 0 is first."""

    BLIND = 0  # nothing of the site is known or kept, or soon will not be
    COSTS = 1  # it costs money or misleads controllers now
    PART = 2  # a part of the site is not seen
    METER = 3  # a meter or a balance is wrong: a matter of days
    LATER = 4  # to be known; nothing is lost meanwhile
    LOOK = 5  # a load is not as usual: nothing is wrong with a meter, and perhaps nothing at all


class Source(StrEnum):
    """Where the cause lies: who is to look at it."""

    PROGRAM = "program"
    STORE = "store"
    NETWORK = "network"
    CLOCK = "clock"
    PLAN = "plan"
    METER = "meter"
    BOARD = "board"
    LOADS = "loads"
    PV = "pv"


class Effect(StrEnum):
    """What a finding says of the points it names."""

    SILENT = "silent"  # no values come from them
    WRONG = "wrong"  # their energy is wrong, and the balance of their board follows from it
    DRIFTS = "drifts"  # their ratio changed; a balance far outside may still have another cause
    LISTED = "listed"  # each of them would explain it
    NOTHING = ""


@dataclass(frozen=True, slots=True)
class Cause:
    """One row. `event`: it happened, and is history a day later; every other finding lasts as long as its condition."""

    name: str
    urgency: Urgency
    source: Source
    remedy: str
    effect: Effect = Effect.NOTHING
    event: bool = False


CAUSES = (
    Cause("store", Urgency.BLIND, Source.STORE,
          "make room on the disk or repair it; nothing is confirmed to the broker meanwhile"),
    Cause("silent", Urgency.BLIND, Source.NETWORK,
          "look at the broker, its access rules (may this daemon read the topics?) and the network before the meters",
          Effect.SILENT),
    Cause("broker-silent", Urgency.BLIND, Source.NETWORK,
          "see that the broker runs and can be reached", Effect.SILENT),
    Cause("clock-not-set", Urgency.BLIND, Source.CLOCK, "set the time, by a time server if there is one"),
    Cause("own-clock", Urgency.BLIND, Source.CLOCK,
          "set the clock of this machine by a time server; if it is right, the meters share a wrong one, such as a gateway's"),
    Cause("thread-hangs", Urgency.BLIND, Source.PROGRAM, "restart the daemon when it can be spared for a moment"),
    Cause("disk-low", Urgency.BLIND, Source.STORE, "make room on the disk, or archive old readings with meterd retain"),
    Cause("store-damaged", Urgency.BLIND, Source.STORE, "look at the disk; restore a backup if history is missing", event=True),
    Cause("store-older", Urgency.BLIND, Source.STORE,
          "stop the daemon and put the newer store back; if this one is meant, close the finding and import what is missing",
          event=True),
    Cause("store-missing", Urgency.BLIND, Source.STORE,
          "move it back, or stop the daemon in order: it writes what it has to its place"),
    Cause("store-changed", Urgency.BLIND, Source.STORE,
          "see with meterd verify PLAN what holds; restore a backup that holds, or correct what is wrong"),
    Cause("unkept", Urgency.BLIND, Source.METER, "look at what the meter sends", event=True),
    Cause("fault", Urgency.BLIND, Source.PROGRAM, _REPORT, event=True),
    Cause("loop-late", Urgency.BLIND, Source.PROGRAM,
          "see whether the disk or the processor of this machine is overloaded; if not, report it with the log"),
    Cause("demand-limit", Urgency.COSTS, Source.LOADS,
          "take load off until the interval is over; flexible loads with a share are turned down by themselves"),
    Cause("second-publisher", Urgency.COSTS, Source.NETWORK, "stop one of the two daemons"),
    Cause("publish-refused", Urgency.COSTS, Source.NETWORK, "make the plan smaller or the broker's limit larger"),
    Cause("overdraw", Urgency.COSTS, Source.LOADS,
          "see whether its controller follows its share, its minimum times and max_w in consumers.csv"),
    Cause("pv-loss", Urgency.COSTS, Source.PV,
          "see whether a string, a fuse or an inverter is off, or the modules are dirty or shaded; only qualified people open"
          " a string: direct voltage stays as long as there is light"),
    Cause("source-away", Urgency.PART, Source.NETWORK, "see that the broker runs and can be reached", Effect.SILENT),
    Cause("subscription-refused", Urgency.PART, Source.NETWORK, "let this client read these topics"),
    Cause("nothing-received", Urgency.PART, Source.NETWORK,
          "see whether the access rules of the broker let this client read these topics, whether the topics are spelled as the"
          " devices send them, and whether the devices are on; if they send less often, raise first_value_s of the limits",
          Effect.SILENT),
    Cause("client-id-twice", Urgency.PART, Source.NETWORK, "stop the other daemon, or give this one its own client_id"),
    Cause("silent-source", Urgency.PART, Source.NETWORK, "look at the device or network that carries this source", Effect.SILENT),
    Cause("silent-board", Urgency.PART, Source.NETWORK, _NETWORK.format("this board"), Effect.SILENT),
    Cause("silent-riser", Urgency.PART, Source.NETWORK, _NETWORK.format("this riser"), Effect.SILENT),
    Cause("silent-device", Urgency.PART, Source.NETWORK, "look at the device behind this address", Effect.SILENT),
    Cause("silent-together", Urgency.PART, Source.NETWORK,
          "look for what they share: a network switch, a power supply, a controller", Effect.SILENT),
    Cause("stale", Urgency.PART, Source.METER, "look at the meter and its data connection", Effect.SILENT),
    Cause("refused", Urgency.PART, Source.METER, "correct the field, unit or scale in inputs.csv, or the device"),
    Cause("refused-", Urgency.PART, Source.METER, "correct the field, unit or scale in inputs.csv, or the device"),
    Cause("not-followed-", Urgency.PART, Source.PROGRAM, f"its readings are kept; {_REPORT}"),
    Cause("frozen-value", Urgency.PART, Source.METER,
          "compare with the display of the meter; restart what reads it", Effect.WRONG),
    Cause("plan-refused", Urgency.PART, Source.PLAN, "mend what is listed; the plan is read again when its files change"),
    Cause("drift", Urgency.METER, Source.METER, "compare the meter with a reference before anything is changed", Effect.DRIFTS),
    Cause("ct-ratio", Urgency.METER, Source.METER, "the rating plate of the transformers decides", Effect.WRONG),
    Cause("register-scale", Urgency.METER, Source.METER,
          "compare unit and scale in inputs.csv or in the mapping file with the display of the meter; then correct the"
          " energies since (meterd correct)", Effect.WRONG),
    Cause("register-direction", Urgency.METER, Source.METER,
          "see whether 1.8.0 and 2.8.0 are exchanged in inputs.csv or in the mapping file, or current transformers reversed",
          Effect.WRONG),
    Cause("power-disagrees", Urgency.METER, Source.METER, "compare with the meter's display", Effect.WRONG),
    Cause("meter-clock", Urgency.METER, Source.CLOCK, "set the clock of the meter or of its gateway", Effect.WRONG),
    Cause("pv-clock", Urgency.METER, Source.CLOCK,
          "set the clock of the meter or of its gateway; if it follows summer time, see that the plan says so"),
    Cause("level-change", Urgency.METER, Source.METER,
          "was the meter exchanged? enter it in instruments.csv with closing and opening reading", event=True),
    Cause("exchange-unknown", Urgency.METER, Source.METER, "enter closing_wh and opening_wh in instruments.csv", event=True),
    Cause("reset", Urgency.METER, Source.METER,
          "see whether the meter was reset or exchanged; enter an exchange in instruments.csv with closing and opening reading",
          event=True),
    Cause("ambiguous", Urgency.METER, Source.METER,
          "compare with the reading on the meter; the energy booked is the least possible", event=True),
    Cause("balance-shift", Urgency.METER, Source.BOARD, "go through the list with the likeliest first", Effect.LISTED),
    Cause("outside-band", Urgency.METER, Source.BOARD,
          "one balance cannot tell which meter: compare the points of the board with their usual shape"),
    Cause("consumption-negative", Urgency.METER, Source.BOARD,
          "compare PV meter, connection and inverter: a ratio, a direction or a clock is wrong, or another source exports"),
    Cause("network-outside", Urgency.METER, Source.BOARD,
          "look at the balances with the largest parts: two that meet in one meter point to it"),
    Cause("not-computable", Urgency.METER, Source.BOARD, "see the findings of the missing points"),
    Cause("not-told", Urgency.LATER, Source.NETWORK, "mend the server or the table [notify] of site.toml"),
    Cause("lines-store", Urgency.LATER, Source.NETWORK,
          "see that the database runs, has room on its disk and can be reached; nothing is lost meanwhile"),
    Cause("lines-refused", Urgency.LATER, Source.NETWORK, "see what the database says of the line"),
    Cause("forecast-refused", Urgency.LATER, Source.NETWORK,
          "compare [forecast] of site.toml with what its sender publishes; the forecast of the site goes on without it"),
    Cause("forecast-silent", Urgency.LATER, Source.NETWORK,
          "see whether its sender runs and publishes on this topic; the forecast of the site goes on without it"),
    Cause("job-failed", Urgency.LATER, Source.PROGRAM,
          "do what the reason asks for; it is tried again by itself, and at once with meterd jobs PLAN --run NAME"),
    Cause("certificate", Urgency.LATER, Source.NETWORK, "renew it before that day; after it nothing connects"),
    Cause("page-away", Urgency.LATER, Source.PLAN,
          "see which program has this port, or change [page] of the plan; then stop and start"),
    Cause("clock-jumped", Urgency.LATER, Source.CLOCK, "see why the time server and this machine disagree"),
    Cause("clock-change-wrong", Urgency.LATER, Source.CLOCK, "`meterd clock-change` lists all of them"),
    Cause("zone-rules", Urgency.LATER, Source.CLOCK, "compare with reports made before", event=True),
    Cause("revived", Urgency.LATER, Source.PROGRAM, "this is a fault of the program: report it with the log"),
    Cause("readings-deleted", Urgency.LATER, Source.STORE, "give the store more room if readings matter", event=True),
    Cause("frozen", Urgency.LATER, Source.METER, "if it happens again look at the meter's data connection", event=True),
    Cause("suspect", Urgency.LATER, Source.METER,
          "a single one is noise of the data connection; many point to a wrong word order, scale or wiring", event=True),
    Cause("clock-change", Urgency.LATER, Source.CLOCK, "nothing to do here: see that meters that keep local time follow"),
    Cause("unusual-use", Urgency.LOOK, Source.LOADS,
          "see what runs there; if it was planned and stays, accept it as the new normal"),
)  # fmt: skip

_ROW = {cause.name: (row, cause) for row, cause in enumerate(CAUSES)}


def cause_of(name: str) -> Cause | None:
    """The row of a cause, by its own name or by that of all registers; None for one that an older program kept.

    >>> cause_of("refused-import").name, cause_of("refused").name, cause_of("long-forgotten")
    ('refused-', 'refused', None)
    """
    results = _cause_of(name)
    return None if results is None else results[1]


def _cause_of(name: str) -> tuple[int, Cause] | None:
    if name in _ROW:
        return _ROW[name]
    return next((item for key, item in _ROW.items() if key.endswith("-") and name.startswith(key)), None)


def rank(name: str) -> int:
    """Place in the order of urgency, 0 = first; what is not in the table comes last."""
    results = _cause_of(name)
    return len(CAUSES) if results is None else results[0]


def remedy(name: str) -> str:
    """What to do in general."""
    cause = cause_of(name)
    assert cause is not None, f"{name} is no row of the table of causes"
    return cause.remedy


def blames_a_meter(name: str) -> bool:
    """Whether it says that energies of a meter, or of one of several, are wrong or unknown."""
    cause = cause_of(name)
    if cause is None or cause.urgency is not Urgency.METER:
        return False
    return cause.source is Source.METER or cause.effect is not Effect.NOTHING


def _named(effect: Effect) -> Iterator[str]:
    return (cause.name for cause in CAUSES if cause.effect is effect)


EVENTS = frozenset(cause.name for cause in CAUSES if cause.event)
SILENCE = frozenset(_named(Effect.SILENT))
WRONG_ENERGY = tuple(_named(Effect.WRONG))
NAMED = (*_named(Effect.DRIFTS), *WRONG_ENERGY)  # causes that name the meter that is wrong
LISTED = tuple(_named(Effect.LISTED))
