"""The words in which a mistake in the site description is told: where, what, what instead."""

from __future__ import annotations

import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from pipeline.errors import Problem

Path = tuple[str | int, ...]

_SHOWN_LENGTH = 60
_LISTED_OPTIONS = 12
_LINE = re.compile(r"^line (\d+)")


class BadValueError(ValueError):
    """A value that cannot be used; the caller knows where it stands and what was found."""

    def __init__(self, expected: str, advice: str = "") -> None:
        self.expected = expected
        self.advice = advice
        super().__init__(expected)


@dataclass(frozen=True)
class Spot(ABC):
    """A table or a row of a file, able to say where each of its keys stands."""

    file: str

    @abstractmethod
    def place(self, path: Path) -> str:
        """Return the place of a key below this spot in a person's words."""

    def problem(
        self, path: str | Path, found: str, expected: str, advice: str = ""
    ) -> Problem:
        """Return a problem with one key (or, by an empty path, with the whole spot)."""
        parts = (path,) if isinstance(path, str) else path
        return Problem(self.file, self.place(parts), found, expected, advice)


@dataclass(frozen=True)
class RowSpot(Spot):
    """One row of a CSV table; ``line`` is the line of the file on which it starts."""

    line: int

    def place(self, path: Path) -> str:
        """Return ``line 12, column tube``."""
        return ", ".join([f"line {self.line}", *(f"column {part}" for part in path)])


def show(value: object) -> str:
    """Return a value as found, quoted and cut to a readable length."""
    try:
        text = repr(value)
    except ValueError:  # an integer of more digits than Python will print
        return "a number of thousands of digits"
    return text if len(text) <= _SHOWN_LENGTH else f"{text[: _SHOWN_LENGTH - 3]}..."


def one_of(options: Iterable[str]) -> str:
    """Return the accepted words as a list, cut where it would no longer be read."""
    return _listed(frozenset(options))


@lru_cache(maxsize=64)
def _listed(options: frozenset[str]) -> str:
    listed = sorted(options)
    if not listed:
        return "nothing: none is described"
    shown = ", ".join(repr(option) for option in listed[:_LISTED_OPTIONS])
    more = len(listed) - _LISTED_OPTIONS
    return f"one of {shown}" + (f" and {more} more" if more > 0 else "")


def did_you_mean(word: object, options: Iterable[str]) -> str:
    """Return ``Did you mean 'x'?`` for the nearest accepted word, or nothing."""
    found = nearest(word, options) if isinstance(word, str) else ""
    return f"Did you mean {found!r}?" if found else ""


def unknown_tube(site: str, name: str, tubes: Iterable[str]) -> str:
    """Return the one sentence in which a command refuses a tube that is not among some."""
    known = tuple(tubes)
    told = f"{site}: found tube {name!r}; expected {one_of(known)}"
    hint = did_you_mean(name, known)
    return f"{told}. {hint}" if hint else told


def nearest(word: str, options: Iterable[str]) -> str:
    """Return the accepted word a misspelt one is most like, or an empty text."""
    return _nearest(word[:_SHOWN_LENGTH], tuple(options)) if word else ""


@lru_cache(maxsize=4096)
def _nearest(word: str, options: tuple[str, ...]) -> str:
    """Return the nearest option, case not counting; cached, as tables repeat mistakes.

    A word left unfinished means the one option that begins so, if it is most of it.
    """
    folded = {option.casefold(): option for option in options}
    begun = [option for option in folded if option.startswith(word.casefold())]
    if len(begun) == 1 and len(word) * 2 > len(begun[0]):
        return folded[begun[0]]
    close = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else ""


def in_reading_order(problems: Iterable[Problem]) -> list[Problem]:
    """Return problems without repeats, by file and line, as a person mends them."""

    def key(problem: Problem) -> tuple[bool, str, int, Problem]:
        match = _LINE.match(problem.place)
        line = int(match.group(1)) if match else 0
        return problem.file != "site.toml", problem.file, line, problem

    return sorted(set(problems), key=key)
