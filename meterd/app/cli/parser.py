"""The command line as a parser that says what is wrong in words, with the nearest known word."""

import argparse
import difflib
import re
from collections.abc import Iterable
from typing import NoReturn

_CHOICE = re.compile(r"^(?:argument (.*?): )?invalid choice: (.*?) \(choose from (.*)\)$")
_VALUE = re.compile(r"^argument (.*?): invalid (\w+) value: (.*)$")
_UNKNOWN = re.compile(r"^unrecognized arguments: (.*)$")
_MISSING = re.compile(r"^the following arguments are required: (.*)$")
_EXPECTED = re.compile(r"^argument (.*?): expected (.*)$")
_KINDS = {"int": "a whole number", "float": "a number"}


def nearest(word: str, known: Iterable[str]) -> str:
    """What may be meant, or all that is known.

    >>> nearest("balanc", ("balance", "check"))
    'did you mean balance?'
    """
    tokens = list(known)
    near = difflib.get_close_matches(word, tokens, 1)
    return f"did you mean {near[0]}?" if near else f"known: {', '.join(tokens)}"


class Parser(argparse.ArgumentParser):
    """A parser whose errors name what is wrong and what would be right."""

    options: Iterable[str] = ()  # of the command that is called, for options that are misspelt

    def error(self, message: str) -> NoReturn:
        """The message in words, and where help is; exit code 2."""
        self.exit(2, f"{self.prog}: {self._words(message)}\n{self.prog} --help explains every option\n")

    def _words(self, message: str) -> str:
        if match := _CHOICE.match(message):
            word = match[2].strip("'")
            known = [choice.strip(" '") for choice in match[3].split(",")]
            subject = "command" if match[1] == "COMMAND" else match[1] or "value"
            return f"there is no {subject} {word}; {nearest(word, known)}"
        if match := _VALUE.match(message):
            return f"{match[1]} needs {_KINDS.get(match[2], 'another value')}, got {match[3]}"
        if match := _UNKNOWN.match(message):
            word = match[1].split()[0]
            if not word.startswith("-"):
                return f"{word!r} is one word too many; put words that belong together in quotes"
            return f"there is no option {word}; {nearest(word, sorted(self.options))}"
        if match := _MISSING.match(message):
            return f"{match[1]} is missing"
        if match := _EXPECTED.match(message):
            return f"{match[1]} needs a value behind it"
        return message
