"""The catalogue of texts, and numbers and times as a reader of that language writes them.

`catalogue/en/*.toml` is the one catalogue, a table per page; `catalogue/de` holds the same keys. A missing key is a fault of
the program and raises; `tests/adapters/texts/test_wording.py` compares the languages.
"""

import re
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from functools import cache, lru_cache
from importlib.resources import files
from zoneinfo import ZoneInfo

from meterd.core.model.finding_cause import CAUSES, cause_of
from meterd.core.model.periods import from_ms, to_ms
from meterd.core.model.plan import Board, Point, Site
from meterd.core.model.written import day_first
from meterd.core.texts.finding_translation import Kind, Part, Parts, Phrases

LANGUAGES = ("en", "de")
_DAY_ENDS = {"en": "", "de": "."}  # the number of a day is an ordinal number in German
_SEPARATORS = {"en": str.maketrans("", ""), "de": str.maketrans(",.", ".,")}
MINUS = "−"  # as wide as a plus, and never a hyphen
LEAST_IN_MWH = 100_000_000_000  # mWh: below 100 MWh an energy is written in kWh
_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:[kMG]?Wh?|kvarh|kVA|kg|[VAsh]|min|d|%|EUR)(?!\w))"
    r"|(?<=±) (?=\d)|(?<=\b\d\.) (?=[A-Z]\w{2})|(?<=\d\d\.) (?=[A-Z]\w{2})"  # also ± 0.02, and the day of a German month
)
_STEPS = ((1e9, "G"), (1e6, "M"), (1e3, "k"))
_NO_TITLES: Mapping[str, str] = {}
_SENTENCES = 4096  # of findings kept taken apart: a few hundred are open, and each says another number of minutes


@dataclass(frozen=True, slots=True)
class Piece:
    """Words of a finding and the language they are in: what another program said stays as it was said."""

    words: str
    language: str


@cache
def catalogue(language: str) -> Mapping[str, str]:
    """Every text of a language by its dotted key, such as `now.title`."""
    results: dict[str, str] = {}
    folder = files("meterd.adapters.texts") / "catalogue" / language
    for file in sorted(folder.iterdir(), key=lambda item: item.name):
        if file.name.endswith(".toml"):
            for key, texts in tomllib.loads(file.read_text(encoding="utf-8")).items():
                if isinstance(texts, dict):
                    results.update({f"{key}.{name}": str(text) for name, text in texts.items()})
                else:
                    results[key] = str(texts)
    return results


def say(language: str, key: str, **values: object) -> str:
    """The text of a key with its values put in; KeyError if the catalogue lacks it."""
    return catalogue(language)[key].format(**values)


def role_words(language: str, role: str) -> str:
    """What a role of the page is called, with the word that commands and the plan have for it."""
    return say(language, f"role_name.{role}")


def has(language: str, key: str) -> bool:
    """Whether the catalogue has the key; for causes of findings, which are open-ended."""
    return key in catalogue(language)


def translated(
    language: str, sentence: str, zone: ZoneInfo, titles: Mapping[str, str] = _NO_TITLES, *, most: int = 0
) -> list[Piece]:
    """A sentence of a finding, which is stored in English, for a reader: numbers by locale, times in the site's zone.

    Names of the plan are given by their `titles`, of a list longer than `most` (0: no limit) only so many.
    A sentence of which nothing is recognised is one piece in English (catalogue/*/finding_*.toml).
    """
    pieces: list[Piece] = []
    for part in _taken_apart(language, sentence):
        own = LANGUAGES[0] if part.kind is Kind.FOREIGN else language
        names = part.kind is Kind.NAMES
        text = _some_names(language, part.words, titles, most) if names else _written(language, part, zone)
        if pieces and pieces[-1].language == own:
            pieces[-1] = Piece(pieces[-1].words + text, own)
        else:
            pieces.append(Piece(text, own))
    return pieces


def translated_line(
    language: str, sentence: str, zone: ZoneInfo, titles: Mapping[str, str] = _NO_TITLES, *, most: int = 0
) -> str:
    """The same in one line, for where languages cannot be marked: inside another text, on paper."""
    return "".join(piece.words for piece in translated(language, sentence, zone, titles, most=most))


def titles_of(site: Site) -> Mapping[str, str]:
    """What the names in sentences of findings are called: points, boards, and the site where they are not named alike."""
    named: list[Site | Board | Point] = [site, *site.boards, *site.points]
    alike = {name for name, count in Counter(item.name for item in named).items() if count > 1}
    points = point_titles(site)
    return {
        item.name: points[item.name] if isinstance(item, Point) else item.title
        for item in named
        if item.title and item.name not in alike
    }


def point_titles(site: Site) -> Mapping[str, str]:
    """What people call each point: its title, with its name where another point has the same title; else its name."""
    shared = Counter(point.title for point in site.points)
    return {
        point.name: point.name
        if not point.title
        else point.title
        if shared[point.title] == 1
        else f"{point.title} ({point.name})"
        for point in site.points
    }


def titled_names(text: str, titles: Mapping[str, str]) -> str:
    """Names with commas between them as their titles, which have commas of their own; a code after a name stays.

    >>> titled_names("q01, q02 2.8.0", {"q01": "Bakery, ovens"})
    'Bakery, ovens; q02 2.8.0'
    """
    names = [name.partition(" ") for name in text.split(", ")]
    shown = [titles.get(name, name) + space + code for name, space, code in names]
    return ("; " if any("," in title for title in shown) else ", ").join(shown)


def _some_names(language: str, text: str, titles: Mapping[str, str], most: int) -> str:
    """A list of names, cut short where a reader needs no more to know what is meant: the rest is counted."""
    names = text.split(", ")
    if not 0 < most < len(names):
        return titled_names(text, titles)
    shown = titled_names(", ".join(names[:most]), titles)
    return say(language, "word.and_more", names=shown, n=len(names) - most)


def cause_words(language: str, cause: str) -> str:
    """What a cause of findings is called in a line; one that an older program stored by its own name.

    >>> cause_words("en", "refused-import"), cause_words("en", "long-forgotten")
    ('Values refused', 'long-forgotten')
    """
    known = cause_of(cause)
    key = f"cause_name.{cause if known is None else known.name}"
    return say(language, key) if has(language, key) else cause


def finding_head(language: str, site: Site, cause: str, subject: str) -> str:
    """A finding in a line: its cause, and what it is about by its title; what is about the whole site names nothing.

    A subject may be a point, a board (also as `board-NAME`), a job, a source, a thread of the program.
    """
    what = cause_words(language, cause)
    return what if subject == site.name else f"{what}: {subject_words(language, titles_of(site), subject)}"


def subject_words(language: str, titles: Mapping[str, str], subject: str) -> str:
    """What a finding is about, by its title."""
    job = f"jobs.name_{subject}"
    known = titles.get(subject) or titles.get(subject.removeprefix("board-"))
    return known or (say(language, job) if has(language, job) else subject)


def head_of_id(language: str, site: Site, finding_id: str) -> str:
    """The same of a finding of which only the id is known; an id of an unknown cause as it is."""
    names = [cause.name for cause in CAUSES if finding_id.startswith(f"{cause.name}-")]
    cause = max(names, key=len, default="")
    return finding_head(language, site, cause, finding_id[len(cause) + 1 :]) if cause else finding_id


@lru_cache(maxsize=_SENTENCES)
def _taken_apart(language: str, sentence: str) -> Parts:
    return phrases(language).read(sentence)


@cache
def phrases(language: str) -> Phrases:
    """The templates that a stored sentence is recognised by."""
    return Phrases(catalogue(LANGUAGES[0]), catalogue(language))


def _written(language: str, part: Part, zone: ZoneInfo) -> str:
    try:
        match part.kind:
            case Kind.NUMBER:
                return figure(language, part.words)
            case Kind.POWER:
                return power(language, float(part.words.removesuffix(" W")))
            case Kind.TIME:
                return moment(language, to_ms(datetime.fromisoformat(part.words)), zone)
            case Kind.DAY:
                return date_words(language, part.words)
            case Kind.WORDS:
                return part.words.replace("+-", "±")  # sentences are stored in ASCII
            case _:
                return part.words
    except ValueError:
        return part.words  # a 30 February in a damaged store is shown as it is stored


def date_words(language: str, iso: str) -> str:
    """A date such as 2026-05-04 as a reader writes it."""
    return _date(language, date.fromisoformat(iso))


def figure(language: str, plain: str) -> str:
    """A number as it stands in a sentence, such as +12.50, with the same digits and the separators of the language."""
    value = Decimal(plain)
    exponent = value.as_tuple().exponent
    digits = max(0, -exponent) if isinstance(exponent, int) else 0
    sign = "+" if plain.startswith("+") else ""
    return sign + number(language, value, digits)


def number(language: str, value: float | Decimal, digits: int = 0) -> str:
    """A number with the separators of the language and so many decimal places."""
    exact = value if isinstance(value, Decimal) else Decimal(str(value))
    # a library of all languages says the same in a hundred times the time, and a page has a thousand numbers
    shown = f"{exact:,.{digits}f}".translate(_SEPARATORS[language])
    # a small loss must not read "-0.00": nothing is neither more nor less
    return shown.lstrip("-") if not any(digit in shown for digit in "123456789") else shown.replace("-", MINUS)


def energy(language: str, mwh: int | None, others: Sequence[int | None] = ()) -> str:
    """An energy in kWh or MWh, or the word for missing. It has the unit of the largest of those that stand beside it.

    >>> energy("en", 3_297_000_000), energy("en", 3_297_000_000, [354_500_000_000])
    ('3,297 kWh', '3.30 MWh')
    """
    if mwh is None:
        return say(language, "word.missing")
    kwh = mwh / 1e6
    if max(abs(item) for item in (mwh, *others) if item is not None) >= LEAST_IN_MWH:
        return f"{number(language, kwh / 1000, 2 if abs(kwh) < 10_000 else 1)} MWh"
    return f"{number(language, kwh, 2 if abs(kwh) < 10 else 1 if abs(kwh) < 1000 else 0)} kWh"


def unbroken(quantity: str) -> str:
    """A number with its unit in a sentence: no line ends between them."""
    return quantity.replace(" ", "\u00a0")


def unbroken_units(sentence: str) -> str:
    """A sentence in which no line ends between a number and its unit.

    >>> unbroken_units("+8.77 kW since 3 h").split(" ")
    ['+8.77\\xa0kW', 'since', '3\\xa0h']
    """
    return _BEFORE_UNIT.sub("\u00a0", sentence)


def energies(language: str, mwh: Sequence[int | None]) -> list[str]:
    """Energies that are compared, all with one unit."""
    return [energy(language, item, mwh) for item in mwh]


def money(language: str, coins: int | None, currency: str) -> str:
    """An amount in hundredths of the currency, or the word for missing.

    >>> money("de", -123456, "EUR")
    '−1.234,56 EUR'
    """
    return say(language, "word.missing") if coins is None else f"{number(language, coins / 100, 2)} {currency}"


def power(language: str, watt: float | None) -> str:
    """A power in W, kW or MW with three digits that matter, or the word for missing."""
    if watt is None:
        return say(language, "word.missing")
    for step, prefix in _STEPS:
        if abs(watt) >= step:
            scaled = watt / step
            return f"{number(language, scaled, 2 if abs(scaled) < 10 else 1 if abs(scaled) < 100 else 0)} {prefix}W"
    return f"{number(language, watt)} W"


def percent(language: str, part: float | None, digits: int = 1) -> str:
    """A ratio 0..1 as per cent, or the word for undefined."""
    return say(language, "word.undefined") if part is None else f"{number(language, part * 100, digits)} %"


def age(language: str, seconds: float) -> str:
    """How long ago, in the largest unit that says enough: 12 s, 4 min, 3 h, 5 d."""
    seconds = max(0.0, seconds)
    for unit, length in (("d", 86_400), ("h", 3_600), ("min", 60)):
        if seconds >= 2 * length:
            return f"{number(language, int(seconds / length))} {say(language, f'unit.{unit}')}"
    return f"{number(language, int(seconds))} s"


def moment(language: str, at_ms: int, zone: ZoneInfo) -> str:
    """Local date and time to the minute."""
    local = _local(at_ms, zone)
    return f"{_date(language, local)}, {local:%H:%M}"


def field_date(language: str, iso: str) -> str:
    """A local date, and its time if there is one, as a field of a form shows it: as people of this language write it."""
    return day_first(iso) if language == "de" else iso.replace("T", " ")


def clock(language: str, at_ms: int, zone: ZoneInfo) -> str:
    """Local time to the second."""
    return f"{_local(at_ms, zone):%H:%M:%S}"


def day(language: str, at_ms: int, zone: ZoneInfo) -> str:
    """Local date with its weekday."""
    local = _local(at_ms, zone)
    return f"{_names(language, 'weekdays_short')[local.weekday()]}, {_date(language, local)}"


def month(language: str, at_ms: int, zone: ZoneInfo) -> str:
    """Name of the local month and year."""
    return _month(language, _local(at_ms, zone))


def month_words(language: str, month: str) -> str:
    """A local month as it is asked for, 2026-05, in words; a year stays as it is.

    >>> month_words("de", "2026-05")
    'Mai 2026'
    """
    if len(month) != 7:
        return month
    return _month(language, date(int(month[:4]), int(month[5:]), 1))


def short_day(language: str, at: date) -> str:
    """Day and month, for the axis of a picture."""
    return f"{at.day}{_DAY_ENDS[language]} {_names(language, 'months_short')[at.month - 1]}"


def short_month(language: str, at: date) -> str:
    """Month and year, for the axis of a picture."""
    return f"{_names(language, 'months_short')[at.month - 1]} {at.year:04d}"


def zone_words(at_ms: int, zone: ZoneInfo) -> str:
    """The zone with its offset at that moment, such as `Europe/Vienna, UTC+02:00`."""
    offset = _local(at_ms, zone).strftime("%z").replace("-", MINUS)
    return f"{zone.key}, UTC{offset[:3]}:{offset[3:]}"


def _local(at_ms: int, zone: ZoneInfo) -> datetime:
    return from_ms(at_ms).astimezone(zone)


def _date(language: str, at: date) -> str:
    return f"{short_day(language, at)} {at.year:04d}"


def _month(language: str, at: date) -> str:
    return f"{_names(language, 'months')[at.month - 1]} {at.year:04d}"


@cache
def _names(language: str, what: str) -> tuple[str, ...]:
    return tuple(say(language, f"calendar.{what}").split())
