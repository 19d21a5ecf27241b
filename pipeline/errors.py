"""Errors of the project, and the one form in which a mistake is reported to a person."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NotRequired, TypedDict


class ProblemRow(TypedDict):
    """A mistake in an input as documents tell it: see `Problem`."""

    file: str
    place: str  # in the file; may be empty
    found: str
    expected: str
    advice: str  # may be empty


class SetAside(ProblemRow):
    """What was set aside, and needs a person's look."""

    count: int  # of several, the place is that of the first
    noun: NotRequired[str]  # what was counted: row or value; rows where it is not told
    reason: NotRequired[str]  # one of `pipeline.ingest.records.REASONS`, where one was counted


@dataclass(frozen=True, order=True)
class Problem:
    """One mistake in an input: where it is, what was found, what was expected, what to do.

    ``place`` is the spot within the file in a person's words: ``line 12``, ``row 3, column
    tube``, ``sources.0.layout``. Empty strings are left out of the text.
    """

    file: str
    place: str
    found: str
    expected: str
    advice: str = ""

    def __str__(self) -> str:
        """Return the problem as one line for a terminal or a log."""
        where = ", ".join(part for part in (self.file, self.place) if part)
        text = f"{where}: found {self.found}; expected {self.expected}"
        return f"{text}. {self.advice}" if self.advice else text

    def as_dict(self) -> ProblemRow:
        """Return the problem as plain JSON-ready values."""
        return {
            "file": self.file,
            "place": self.place,
            "found": self.found,
            "expected": self.expected,
            "advice": self.advice,
        }


class PercologError(Exception):
    """Base of every error the project raises on purpose."""


class SiteError(PercologError, ValueError):
    """A site description cannot be used. Holds every mistake found, not only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class ReaderError(PercologError, ValueError):
    """A raw file cannot be read as its layout says; it is set aside, the night goes on."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


class UnitsError(PercologError, ValueError):
    """A variable or a table states units that do not fit what is asked of it."""


class StoreError(PercologError, RuntimeError):
    """The site's store cannot be opened, read or written."""


class OtherStoreError(StoreError):
    """The store is sound, but not one that this percolog or this description may use.

    ``problem`` is the mistake in the description, where that is why.
    """

    def __init__(self, told: str, problem: Problem | None = None) -> None:
        super().__init__(told)
        self.problem = problem


class LockedError(StoreError):
    """Another process is writing to the site's store."""


class LostStoreError(StoreError, ConnectionError):
    """The object store does not answer. That may pass: another attempt is worth while."""


def clean(text: object) -> str:
    """Return text with control characters spelled out, so that it cannot drive a terminal."""
    return "".join(
        character if character.isprintable() else repr(character)[1:-1]
        for character in str(text)
    )
