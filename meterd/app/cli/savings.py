"""`meterd savings`: what a point would have taken by its baseline, what it took, and what that saved."""

import argparse
import json
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.texts.savings_words import savings_words
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.output import Line, terminal, write
from meterd.app.operations.savings import SavingsRequest, asked_question
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, label, text
from meterd.core.model.plan import Site
from meterd.core.savings.savings import Savings, formula, name_of, savings_of

DONE = 0


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "savings", _savings, store=True, formats=("table", "csv", "json"))
    parser.add_argument(
        "point",
        metavar="POINT",
        nargs="?",
        help="a point, a board or the site; default: every [[baseline]] of the plan",
    )
    parser.add_argument(
        "--baseline", metavar="FROM..UNTIL", default="", help="days before the measure; default: by the plan"
    )
    parser.add_argument(
        "--from", metavar="WHEN", default="", help="from when on it saves; default: end of the baseline"
    )
    parser.add_argument("--until", metavar="WHEN", default="", help="the same, exclusive; default: now")


def _savings(arguments: argparse.Namespace) -> int:
    site = load_plan(arguments.plan).site
    names = [arguments.point] if arguments.point else list(dict.fromkeys(row.name for row in site.baselines))
    if not names:
        raise ConfigError("the plan has no [[baseline]]: name a point and --baseline, or see `meterd help plan`")
    begin, now = getattr(arguments, "from"), WallClock().now_ms()
    requests = [SavingsRequest(name, arguments.baseline, begin, arguments.until) for name in names]
    questions = [asked_question(site, request, now) for request in requests]
    with open_to_read(arguments.store or store_path(arguments.plan, site)) as store:
        answers = [savings_of(store, site, question) for question in questions]
    if arguments.format == "json":
        print(json.dumps([_object(answer, site) for answer in answers], indent=1))
    elif arguments.format == "csv":
        days = [line for answer in answers for line in _days(answer, site)]
        write(days, "csv", terminal(), title="", empty="")
    else:
        for answer in answers:
            _print(answer, site)
    return DONE


def _print(answer: Savings, site: Site) -> None:
    """The answer in one line, what it rests on, and what has to be known with it."""
    message, console = savings_words("en", answer, site), terminal()
    width = max(len(name) for name, _ in message.facts)
    console.print(message.headline, markup=False)
    for name, value in message.facts:
        console.print(f"  {name:{width}}  {value}", markup=False)
    for remark in message.remarks:
        console.print(f"- {remark}", markup=False)


def _object(answer: Savings, site: Site) -> Line:
    baseline = answer.baseline
    return {
        "point": name_of(answer.question.item, site),
        "outcome": answer.outcome,
        "baseline_from": text(answer.question.baseline_ms[0]),
        "baseline_until": text(answer.question.baseline_ms[1]),
        "baseline_days": answer.baseline_known,
        "formula": [] if baseline is None else [
            {"term": entry.term, "wh": round(entry.wh, 3), "standard_deviation_wh": round(entry.error_wh, 3)}
            for entry in formula(baseline)
        ],
        "r2": None if baseline is None else baseline.fit.r2,
        "cv_rmse": None if baseline is None else baseline.cv,
        "autocorrelation": None if baseline is None else baseline.rho,
        "known_days": answer.known,
        "expected_wh": _wh(answer.expected),
        "measured_wh": _wh(answer.measured),
        "saved_wh": _wh(answer.saved),
        "band_wh": _wh(answer.band),
        "days": list(_days(answer, site)),
    }  # fmt: skip


def _days(answer: Savings, site: Site) -> list[Line]:
    zone, name = ZoneInfo(site.zone), name_of(answer.question.item, site)
    return [
        {
            "point": name,
            "day": label(Period.DAY, day.start_ms, zone),
            "measured_wh": _wh(day.measured),
            "baseline_wh": _wh(day.baseline),
            "saved_since_first_day_wh": _wh(day.saved),
            "band_wh": _wh(day.band),
        }
        for day in answer.days
    ]


def _wh(mwh: int | None) -> float | None:
    return None if mwh is None else mwh / 1000
