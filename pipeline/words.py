"""How counts, spans of time, periods and verdicts are said in English."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, TypedDict

from pipeline.errors import SetAside

# Where a tube is: of one that is not in the ground nothing needs a look.
IN_GROUND, NOT_SET, TAKEN_OUT = "in the ground", "not set yet", "taken out"
HOURS_TOLD = 72  # longer is said in days
_CM_PER_M = 100.0
FileKind = Literal["tubes", "weather"]  # what the files of a period are of
_LOGGED_INSTEAD: tuple[tuple[FileKind, str], ...] = (
    ("tubes", "only the weather was"),
    ("weather", "only tubes were"),
)


def counted(count: int, noun: str) -> str:
    """Return a count with its noun, in the singular for one: ``1 file``, ``0 files``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def also_in(more: int) -> str:
    """Return the end of what is found of one file and of so many more; empty for no more."""
    return f", and so in {counted(more, 'more file')}" if more > 0 else ""


def told_refusal(row: SetAside) -> str:
    """Return where something was set aside, what was found, and what was expected."""
    link = ": " if row.get("count", 1) > 1 else ", "
    where = link.join(filter(None, (row.get("file"), _place_in_file(row))))
    return f"{where}: {told_mistake(row)}"


def told_refusal_in_file(row: SetAside) -> str:
    """Return the same where the file has been told."""
    return ": ".join(filter(None, (_place_in_file(row), told_mistake(row))))


def told_mistake(row: SetAside) -> str:
    """Return what was found, and what was expected."""
    return f"found {row['found']}; expected {row['expected']}"


def _place_in_file(row: SetAside) -> str:
    many, place = row.get("count", 1), row.get("place", "")
    if many <= 1:
        return place
    # They lie anywhere in the file: one line must not stand for all.
    first = f", the first in {place}" if place else ""
    return f"{counted(many, row.get('noun', 'row'))}{first}"


def span_of_hours(hours: float) -> str:
    """Return a span in hours, or in days where it is long."""
    if hours < HOURS_TOLD:
        return f"{hours:.0f} h"
    return f"{hours / 24:.0f} days"


def bounds_cm(top_m: float, bottom_m: float) -> str:
    """Return the bounds of a layer, given in metres, as ``0–30 cm``."""
    return f"{top_m * _CM_PER_M:.4g}–{bottom_m * _CM_PER_M:.4g} cm"


def told_set_in(set_in_m: float) -> str:
    """Return how a tube was set, ``set 5 cm deeper`` or higher; empty for as it should be."""
    if not set_in_m:
        return ""
    way = "deeper" if set_in_m > 0 else "higher"
    return f"set {abs(set_in_m) * _CM_PER_M:.3g} cm {way}"


def told_periods(names: Sequence[str]) -> str:
    """Return names of periods, those that follow one another as one: ``2011 to 2019``."""
    spans: list[list[str]] = []
    for name in names:
        if spans and _number(name) == _number(spans[-1][-1]) + 1:
            spans[-1].append(name)
        else:
            spans.append([name])
    return ", ".join(
        span[0] if len(span) == 1 else f"{span[0]} to {span[-1]}" for span in spans
    )


class Absent(TypedDict, total=False):
    """Which periods lack files, since nothing was logged for them."""

    empty_periods: list[str]  # names of those without any file
    periods_without: dict[FileKind, list[str]]  # of those with files of the other kind alone


def told_absent(account: Absent) -> list[tuple[str, str, str]]:
    """Return which files a site has not, of which periods, and what was logged then.

    Parameters
    ----------
    account : Absent
        As from `pipeline.nights.night.deliver_night`; without, of a night whose delivery
        failed.
    """
    found = [("no files", account.get("empty_periods", []), "nothing was")]
    without = account.get("periods_without", {})
    for kind, logged in _LOGGED_INSTEAD:
        found.append((f"no files of {kind}", without.get(kind, []), logged))
    return [
        (what, told_periods(names), f"{why} logged then")
        for what, names, why in found
        if names
    ]


def _number(name: str) -> int:
    """Return a year's or a month's place among all; the one of ``all`` is of no use."""
    year, _, month = name.partition("-")
    if not month:
        return int(year) if year.isdecimal() else 0
    return 12 * int(year) + int(month) - 1


def first_line(text: str) -> str:
    """Return the first line of a text, and how many more there are: for where one fits."""
    first, *more = text.splitlines() or [""]
    return f"{first} (and {counted(len(more), 'line')} more)" if more else first


def needs_look(verdict: Mapping[str, object]) -> bool:
    """Tell whether a tube in the ground is not sound; of others nothing can be done.

    ``verdict`` is a `pipeline.products.verdicts.VerdictRow`.
    """
    return verdict["verdict"] != "sound" and verdict.get("standing", IN_GROUND) == IN_GROUND


def told_verdict(verdict: Mapping[str, object]) -> str:
    """Return a verdict in words, with where the tube is if not in the ground."""
    standing = verdict.get("standing", IN_GROUND)
    if standing == NOT_SET:
        return NOT_SET
    told = str(verdict["verdict"] or "no verdict")
    return told if standing == IN_GROUND else f"{told}; {standing}"
