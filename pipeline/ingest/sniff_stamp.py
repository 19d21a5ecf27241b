"""Which cells of an unknown file make its time stamps, and how they are written."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

ENGLISH = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = r"[A-Za-z]{3,9}"
_DATE = re.compile(rf"(\d{{1,4}}|{_MONTH})([-/. ])(\d{{1,2}}|{_MONTH})(, |[-/. ])(\d{{1,4}})")
_CLOCK = re.compile(
    r"(?P<H>\d{1,2}):(?P<m>\d\d)(?::(?P<s>\d\d)(?:(?P<point>[.,])(?P<S>\d+))?)?"
    r"(?P<gap>[ ]?)(?P<a>[AaPp][Mm])?(?P<zone>[ ]?(?:Z|[-+]\d\d(?::?\d\d)?))?"
)
_COMPACT = re.compile(r"((?:19|20)\d\d)(\d\d)(\d\d)(?:([T ]?)(\d\d)(\d\d)(\d\d)?)?")
_BETWEEN = re.compile(r"(?:T|[ ,]+)")


@dataclass(frozen=True)
class Written:
    """How a column writes its part of a time.

    ``has_date`` and ``has_clock`` tell which part; ``doubts`` what is unsure about it.
    """

    datatype: dict[str, object]
    has_date: bool
    has_clock: bool
    doubts: tuple[str, ...] = ()


def written(cells: Sequence[str]) -> Written | None:
    """Return how cells write a date, a time of day or both; None if they do not.

    Parameters
    ----------
    cells : sequence of str
        The cells of one column, in the order of the file, all of the data rows.
    """
    if not cells or not all(cells):
        return None
    return _compact(cells) or _parted(cells)


def _compact(cells: Sequence[str]) -> Written | None:
    """Return how dates without separators are written, such as 20240301 and 202403010130."""
    found = [_COMPACT.fullmatch(cell) for cell in cells]
    first = found[0]
    if first is None or not all(found):
        return None
    for match in found:
        if match is None or not (1 <= int(match[2]) <= 12 and 1 <= int(match[3]) <= 31):
            return None
    if len({len(cell) for cell in cells}) > 1:
        return None
    if first[5] is None:
        return Written({"base": "date", "format": "yyyyMMdd"}, True, False)
    clock = "HHmmss" if first[7] else "HHmm"
    form = f"yyyyMMdd{_quoted(first[4])}{clock}"
    return Written({"base": "dateTime", "format": form}, True, True)


def _quoted(text: str) -> str:
    return "T" if text == "T" else text


@dataclass(frozen=True)
class _Cell:
    """One cell taken apart: the parts of its date, what is between, and its time of day."""

    date: tuple[str, str, str, str, str] | None
    between: str
    clock: re.Match[str] | None


def _taken_apart(cell: str) -> _Cell | None:
    date = _DATE.match(cell)
    rest = cell[date.end() :] if date else cell
    if date and not rest:
        return _Cell(_groups(date), "", None)
    between = _BETWEEN.match(rest) if date else None
    if date and between is None:
        return None
    clock = _CLOCK.fullmatch(rest[between.end() :] if between else rest)
    if clock is None or int(clock["H"]) > 24 or int(clock["m"]) > 59:
        return None
    return _Cell(_groups(date) if date else None, between[0] if between else "", clock)


def _groups(match: re.Match[str]) -> tuple[str, str, str, str, str]:
    a, first, b, second, c = match.groups()
    return a, first, b, second, c


def _parted(cells: Sequence[str]) -> Written | None:
    """Return how dates and times with separators are written."""
    parts = [_taken_apart(cell) for cell in cells]
    told = [part for part in parts if part is not None]
    if len(told) < len(parts) or len({part.date is None for part in told}) > 1:
        return None
    dates = [part.date for part in told if part.date is not None]
    clocks = [part.clock for part in told if part.clock is not None]
    if clocks and len(clocks) < len(told):
        return None
    date, doubts = _date_form(dates) if dates else ("", ())
    if date is None:
        return None
    between = Counter(part.between for part in told).most_common(1)[0][0]
    clock = _clock_form(clocks) if clocks else ""
    if clock is None:
        return _iso(date, clocks, between, doubts)
    base = "dateTime" if date and clock else "date" if date else "time"
    form = f"{date}{between if date and clock else ''}{clock}"
    return Written({"base": base, "format": form}, bool(date), bool(clock), doubts)


def _iso(
    date: str, clocks: Sequence[re.Match[str]], between: str, doubts: tuple[str, ...]
) -> Written | None:
    """Return the base without a pattern, which admits seconds now and then, or None."""
    plain = all(
        len(clock["H"]) == 2 and not clock["a"] and not clock["zone"] for clock in clocks
    )
    if not plain or date not in ("", "yyyy-MM-dd") or between not in ("", "T", " "):
        return None
    base = "dateTime" if date else "time"
    return Written({"base": base}, bool(date), True, doubts)


def _clock_form(clocks: Sequence[re.Match[str]]) -> str | None:
    """Return the pattern of times of day; None where they are not written alike."""
    if len({(bool(c["s"]), c["point"], bool(c["a"]), c["gap"]) for c in clocks}) > 1:
        return None
    first = clocks[0]
    letter = "h" if first["a"] else "H"
    form = letter * (2 if all(len(clock["H"]) == 2 for clock in clocks) else 1) + ":mm"
    if first["s"]:
        form += ":ss"
    if first["S"]:
        form += first["point"] + "S" * min(9, max(len(clock["S"]) for clock in clocks))
    if first["a"]:
        form += f"{first['gap']}a"
    zones = {(clock["zone"] or "").strip() for clock in clocks}
    if zones == {""}:
        return form
    blank = " " if (first["zone"] or "").startswith(" ") else ""
    return form + blank + ("XXX" if any(":" in zone for zone in zones) else "X")


Date = tuple[str, str, str, str, str]


def _date_form(dates: Sequence[Date]) -> tuple[str | None, tuple[str, ...]]:
    """Return the pattern of dates (None: they are not written alike) and the doubts."""
    if len({(date[1], date[3]) for date in dates}) > 1:
        return None, ()
    columns = [[date[k] for date in dates] for k in (0, 2, 4)]
    letters, doubts = _letters(columns, dates[0][1])
    if letters is None:
        return None, ()
    parts = [_field(letter, cells) for letter, cells in zip(letters, columns, strict=True)]
    return f"{parts[0]}{dates[0][1]}{parts[1]}{dates[0][3]}{parts[2]}", doubts


def _field(letter: str, cells: Sequence[str]) -> str:
    if letter == "y":
        return "yyyy" if len(cells[0]) == 4 else "yy"
    if cells[0].isalpha():
        return "MMM" if all(len(cell) == 3 for cell in cells) else "MMMM"
    return letter * (2 if all(len(cell) == 2 for cell in cells) else 1)


def _letters(columns: list[list[str]], mark: str) -> tuple[str | None, tuple[str, ...]]:
    """Return which of the three numbers is year, month and day, such as "dMy"."""
    named = [cells[0].isalpha() for cells in columns]
    if any(named):
        months = columns[named.index(True)]
        if not all(cell[:3].lower() in ENGLISH for cell in months):
            return None, ()
        return ("Mdy" if named[0] else "dMy"), ()
    lengths = [max(map(len, cells)) for cells in columns]
    if max(lengths) > 2:
        if lengths[0] == 4:
            return _checked("yMd", columns, ())
        return _day_or_month(columns, mark) if lengths[2] == 4 else (None, ())
    return _short_year(columns, mark)


def _short_year(columns: list[list[str]], mark: str) -> tuple[str | None, tuple[str, ...]]:
    """Return the order of three numbers of two digits."""
    first, last = (max(map(int, columns[k])) for k in (0, 2))
    if first > 31:
        return _checked("yMd", columns, ("the year has two digits",))
    letters, doubts = _day_or_month(columns, mark)
    if last > 31:
        return letters, (*doubts, "the year has two digits")
    shown = mark.join(cells[0] for cells in columns)
    return letters, (*doubts, f"the year has two digits and may be any part of {shown!r}")


def _checked(
    letters: str, columns: list[list[str]], doubts: tuple[str, ...]
) -> tuple[str | None, tuple[str, ...]]:
    """Return the order if no month is above 12 and no day above 31."""
    most = {
        letter: max(map(int, cells)) for letter, cells in zip(letters, columns, strict=True)
    }
    return (letters if most["M"] <= 12 and most["d"] <= 31 else None), doubts


def _day_or_month(columns: list[list[str]], mark: str) -> tuple[str | None, tuple[str, ...]]:
    """Tell day and month apart where both come before the year."""
    first, second = ([int(cell) for cell in columns[k]] for k in (0, 1))
    if max(first) > 12 or max(second) > 12:
        return _checked("dMy" if max(first) > 12 else "Mdy", columns, ())
    # The day changes more often than the month from row to row.
    turns = [sum(a != b for a, b in pairwise(cells)) for cells in (first, second)]
    shown = mark.join(cells[0] for cells in columns)
    if turns[0] == turns[1]:
        day_first = mark != "/"
        reason = f"as is usual with {mark!r}, but no row tells"
    else:
        day_first = turns[0] > turns[1]
        reason = "since that number changes more often; no day above 12 proves it"
    word = "day" if day_first else "month"
    doubt = f"day and month: {shown!r} is read with the {word} first, {reason}"
    return ("dMy" if day_first else "Mdy"), (doubt,)
