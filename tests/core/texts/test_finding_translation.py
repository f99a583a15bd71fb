"""A stored sentence is taken apart by its template and put together in another language; what is unknown stays whole."""

import pytest

from meterd.core.texts.finding_translation import Kind, Part, Phrases

ENGLISH = {
    "phrase.late": "{point}: last value {at:time}, {minutes:number} min ago",
    "phrase.never": "{point}: no value yet",
    "phrase.since": "something changed since {day:day}; look again",
    "phrase.refused": "{point}: {n:number} values refused, the last because {reason:one? phrase_reason}; it was: {it:kept}",
    "phrase.fits": "fits: {causes:list phrase_cause}",
    "phrase.fits_loose": "may fit: {causes:list? phrase_cause}",
    "phrase.strict": "because {reason:one phrase_reason}",
    "phrase.still": "still: {points:names}",
    "phrase.broke": "it broke: {words:said}",
    "remedy.look": "look at the meter",
    "phrase_reason.comma": "decimal comma",
    "phrase_cause.turned": "turned, or shorted (factor {factor:number})",
    "phrase_cause.missed": "missed",
    "other.title": "Not a phrase",
}
GERMAN = {
    "phrase.late": "vor {minutes} min, am {at}: {point}",
    "phrase.never": "{point}: noch kein Wert",
    "phrase.since": "seit {day} anders; wieder ansehen",
    "phrase.refused": "{point}: {n} abgewiesen, weil {reason}; er war: {it}",
    "phrase.fits": "dazu passt: {causes}",
    "phrase.fits_loose": "dazu passt vielleicht: {causes}",
    "phrase.strict": "weil {reason}",
    "phrase.still": "still: {points}",
    "phrase.broke": "es brach: {words}",
    "remedy.look": "den Zähler ansehen",
    "phrase_reason.comma": "Dezimalkomma",
    "phrase_cause.turned": "verdreht oder kurzgeschlossen (Faktor {factor})",
    "phrase_cause.missed": "verpasst",
    "other.title": "Keine Wendung",
}
PHRASES = Phrases(ENGLISH, GERMAN)


def words(sentence: str, phrases: Phrases = PHRASES) -> str:
    """The sentence for the reader, foreign words in brackets, values in angles."""
    marks = {
        Kind.FOREIGN: "[{}]",
        Kind.NUMBER: "<{}>",
        Kind.TIME: "<{}>",
        Kind.DAY: "<{}>",
        Kind.WORDS: "{}",
        Kind.NAMES: "{}",
    }
    return "".join(marks[part.kind].format(part.words) for part in phrases.read(sentence))


@pytest.mark.parametrize(
    ("stored", "read"),
    [
        ("q01: last value 2026-05-04T10:00:00Z, 5 min ago", "vor <5> min, am <2026-05-04T10:00:00Z>: q01"),
        ("q01: last value 2026-05-04T10:00:00.250Z, 5 min ago", "vor <5> min, am <2026-05-04T10:00:00.250Z>: q01"),
        ("something changed since 2026-05-04; look again", "seit <2026-05-04> anders; wieder ansehen"),
        (
            "q01: 3 values refused, the last because decimal comma; it was: 1,5; 2",
            "q01: <3> abgewiesen, weil Dezimalkomma; er war: 1,5; 2",
        ),
        ("q01: 3 values refused, the last because of rain; it was: ", "q01: <3> abgewiesen, weil [of rain]; er war: "),
        ("fits: turned, or shorted (factor -0.5), missed", "dazu passt: verdreht oder kurzgeschlossen (Faktor <-0.5>), verpasst"),
        (
            "fits: missed, turned, or shorted (factor 1e+06)",
            "dazu passt: verpasst, verdreht oder kurzgeschlossen (Faktor <1e+06>)",
        ),
        ("may fit: missed, magic", "dazu passt vielleicht: verpasst[, magic]"),
        ("still: q01, q02", "still: q01, q02"),
        ("it broke: KeyError: 'x'; twice", "es brach: [KeyError: 'x'; twice]"),
        ("look at the meter", "den Zähler ansehen"),
        ("q01: no value yet; look at the meter", "q01: noch kein Wert; den Zähler ansehen"),
    ],
)  # fmt: skip
def test_a_sentence_is_said_in_the_other_language(stored: str, read: str) -> None:
    """Values in another order, phrases inside phrases, lists whose members hold commas, several clauses."""
    assert words(stored) == read


@pytest.mark.parametrize(
    "stored",
    [
        "nobody foresaw this",
        "q01: last value yesterday, 5 min ago",  # no time
        "q01: last value 2026-05-04T10:00:00Z, few min ago",  # no number
        "because of rain",  # where only a known reason may stand
        "fits: missed, magic",
        "decimal comma",  # a phrase for slots does not stand alone
        "Not a phrase",  # of a table that is none of ours
        "; ",
    ],
)
def test_what_does_not_match_is_handed_on_as_it_is(stored: str) -> None:
    """One foreign part, nothing lost."""
    assert PHRASES.read(stored) == (Part(Kind.FOREIGN, stored),)


def test_the_known_clauses_of_a_sentence_are_said_and_the_others_kept() -> None:
    """Whatever stands between them; neighbours of one kind are one part."""
    assert words("new; newer; q01: no value yet; newest") == "[new; newer]; q01: noch kein Wert[; newest]"


def test_nothing_is_nothing() -> None:
    assert PHRASES.read("") == ()


def test_the_template_that_says_more_of_itself_is_meant() -> None:
    """Whichever stands first in the catalogue."""
    for keys in (("phrase.any", "phrase.one"), ("phrase.one", "phrase.any")):
        english = {"phrase.any": "{n:number} values", "phrase.one": "1 values"}
        phrases = Phrases(
            {key: english[key] for key in keys}, {"phrase.any": "{n} Werte", "phrase.one": "1 Wert"}
        )  # fmt: skip
        assert (words("1 values", phrases), words("2 values", phrases)) == ("1 Wert", "<2> Werte")


def test_in_english_the_words_are_those_that_were_kept() -> None:
    """Only values are marked: the same sentence comes out."""
    same = Phrases(ENGLISH, ENGLISH)
    for sentence in ("q01: last value 2026-05-04T10:00:00Z, 5 min ago; look at the meter", "fits: missed; unforeseen"):
        assert "".join(part.words for part in same.read(sentence)) == sentence


def test_the_key_of_a_template_is_reported() -> None:
    """For whoever looks whether a catalogue is complete."""
    assert PHRASES.key_of("q01: no value yet") == "phrase.never"
    assert PHRASES.key_of("missed", "phrase_cause") == "phrase_cause.missed"
    assert PHRASES.key_of("because of rain") == ""
    assert PHRASES.key_of("missed", "phrase_nothing") == ""


@pytest.mark.parametrize(
    ("english", "german", "expected"),
    [
        ("{a}", "a", "slots of both languages differ"),
        ("a", "{a}", "slots of both languages differ"),
        ("{a:fruit}", "{a}", "'fruit' is no kind of slot"),
        ("{a} and {a}", "{a}", "the slot a stands there twice"),
    ],
)
def test_a_template_that_cannot_be_is_refused(english: str, german: str, expected: str) -> None:
    """When the catalogue is read, with its key."""
    with pytest.raises(ValueError, match=rf"phrase\.x: .*{expected}"):
        Phrases({"phrase.x": english}, {"phrase.x": german})


def test_a_sentence_of_many_unknown_clauses_is_read_quickly() -> None:
    """Work grows with its length, not with its square: no more than a few phrases are tried from each clause on."""
    tried: list[str] = []

    class Counting(Phrases):
        def _phrase(self, table: str, text: str) -> tuple[Part, ...] | None:
            tried.append(text)
            return super()._phrase(table, text)

    clauses = 200
    Counting(ENGLISH, GERMAN).read("; ".join(["unknown"] * clauses))
    assert len(tried) < 10 * clauses
