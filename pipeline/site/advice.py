"""What a person likely meant by a cell that is no number or no date."""

from __future__ import annotations

import re
from datetime import datetime

_NOTHING = frozenset(
    {"-", "--", "\N{EN DASH}", "\N{EM DASH}", "?", "n/a", "na", "nan", "none"}
)
_LEAVE_EMPTY = "Leave the cell empty where there is nothing to say."
_WITH_UNIT = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*[^\d\s.,+-][^\d]*")
_DEGREES = re.compile(r"\d+\s*[\N{DEGREE SIGN}dD].*")
# ISO 8601 knows a time without seconds, TOML 1.0 does not.
_NO_SECONDS = re.compile(r"=\s*(\d{4}-\d\d-\d\d[T ]\d\d:\d\d)(?![:\d])")
_COMMA = re.compile(r"=\s*([+-]?\d+),(\d+)\b(?!\s*\])")
_OTHER_DATE = re.compile(r"=\s*(\d{1,4}[./]\d{1,2}[./]\d{1,4})\b")
_TOML = "Text stands in quotes, lists in [ ], each key once in its table."
_TOML_SLIPS = (
    (
        "[\N{LEFT DOUBLE QUOTATION MARK}\N{RIGHT DOUBLE QUOTATION MARK}]",
        'Write straight quotes: ".',
    ),
    ("\N{NO-BREAK SPACE}", "Retype the blanks: some of them are no plain ones."),
    (r'"[^"]*\\[^"]*"', "Write forward slashes in paths, or single quotes around the text."),
    (r"=\s*(True|False|yes|no|on|off)\b", "Write true or false, in small letters."),
    (r"^\[\[[^\]]*\]?$", "Write two brackets on either side, as in [[layer]]."),
)
_SHORT_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+-]?)(\d{1,2}):?(\d\d)?", re.ASCII)
_TIME = r"(?:[T ]+(\d{1,2})[:.](\d\d)(?:[:.](\d\d))?)?"
_YEAR_FIRST = re.compile(rf"(\d{{4}})[-/.](\d{{1,2}})[-/.](\d{{1,2}}){_TIME}", re.ASCII)
_YEAR_LAST = re.compile(rf"(\d{{1,2}})([-/.])(\d{{1,2}})[-/.](\d{{4}}){_TIME}", re.ASCII)
_HALF_DAYS = re.compile(r".*\d\s*[ap]\.?m\.?", re.IGNORECASE)


def on_number(text: str) -> str:
    """Return what to write in place of a text that is no number, or nothing."""
    if text.casefold() in _NOTHING:
        return _LEAVE_EMPTY
    if "," in text:
        return "Write a decimal point, or save the table with semicolons."
    if text[:1] in ("\N{MINUS SIGN}", "\N{EN DASH}"):
        return f"Write the minus sign of the keyboard: -{text[1:]}."
    if _DEGREES.fullmatch(text):
        return "Write degrees with decimals, such as 48.5012; south and west are negative."
    if match := _WITH_UNIT.fullmatch(text):
        return f"Write the number alone, {match.group(1)}; the title or 'unit' says of what."
    return ""


def on_instant(text: str) -> str:
    """Return what to write in place of a text that is no date or time, or nothing."""
    if text.casefold() in _NOTHING:
        return _LEAVE_EMPTY
    if _HALF_DAYS.fullmatch(text):
        return "Write hours from 00 to 23, as in 2024-03-01T14:30."
    if match := _YEAR_FIRST.fullmatch(text):
        year, month, day, *clock = match.groups()
        return _instant_meant(_written(year, month, day, clock))
    if match := _YEAR_LAST.fullmatch(text):
        first, mark, second, year, *clock = match.groups()
        day_first = _written(year, second, first, clock)
        month_first = _written(year, first, second, clock)
        if mark == "." or int(first) > 12:
            return _instant_meant(day_first)
        if int(second) > 12:
            return _instant_meant(month_first)
        return (
            f"Write {day_first!r} if the day stands first, {month_first!r} if the month does."
        )
    return ""


def _instant_meant(written: str) -> str:
    try:
        datetime.fromisoformat(written)
    except ValueError:
        return "Look at month, day and hour."
    return _meant(written)


def on_offset(text: str) -> str:
    """Return what to write in place of a text that is no offset from UTC."""
    if match := _SHORT_OFFSET.fullmatch(text):
        sign, hours, minutes = match.groups()
        return _meant(f"{sign or '+'}{int(hours):02d}:{minutes or '00'}")
    return "The offset of standard time; a clock that changes has a 'zone' in [source.clock]."


def on_toml(line: str, reason: str) -> str:
    """Return what to write for a line that is no TOML; ``reason`` is the parser's."""
    if match := _NO_SECONDS.search(line):
        return f"A time has seconds here: {match.group(1)}:00."
    if match := _COMMA.search(line):
        return f"Write a decimal point: {match.group(1)}.{match.group(2)}."
    if match := _OTHER_DATE.search(line):
        return on_instant(match.group(1)) or _TOML
    for pattern, advice in _TOML_SLIPS:
        if re.search(pattern, line):
            return advice
    if line.startswith("[[") and "overwrite" in reason:
        return f"Write {line} above it too, where the name stands in single brackets."
    return _TOML


def _meant(text: str) -> str:
    return f"Did you mean {text!r}?"


def _written(year: str, month: str, day: str, clock: list[str | None]) -> str:
    """Return a date, and a time if there is one, as a description states them."""
    hour, minute, second = clock
    date = f"{year}-{int(month):02d}-{int(day):02d}"
    if hour is None:
        return date
    return f"{date}T{int(hour):02d}:{minute}" + (f":{second}" if second else "")
