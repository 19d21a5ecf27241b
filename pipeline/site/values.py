"""Single values as people write them, made exact; each function raises `BadValueError`."""

from __future__ import annotations

import math
import re
from datetime import UTC, date, datetime, time, timedelta, timezone
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from pipeline.axis import DAY_S
from pipeline.errors import UnitsError
from pipeline.site.advice import on_instant, on_number, on_offset
from pipeline.site.mistakes import BadValueError, did_you_mean, one_of
from pipeline.units import conversion, is_usual, parse_unit
from pipeline.variables import VARIABLES

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_INSTANT = re.compile(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d)?(Z|[+-]\d\d:?\d\d)?)?", re.ASCII)
_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)", re.ASCII)
_DURATION = re.compile(r"(\d{1,6})\s*([A-Za-z]+)", re.ASCII)
_AMOUNT = re.compile(r"([-+.\deE]+)\s*(\S.{0,63})?", re.ASCII)
_SECONDS = {
    **dict.fromkeys(("s", "sec", "second", "seconds"), 1),
    **dict.fromkeys(("min", "minute", "minutes"), 60),
    **dict.fromkeys(("h", "hour", "hours"), 3600),
    **dict.fromkeys(("d", "day", "days"), DAY_S),
}
# How a value is written, in the words of JSON Schema, for the schemas that editors read.
Schema = dict[str, Any]
OFFSET_SCHEMA: Schema = {
    "type": "string",
    "pattern": rf"^(Z|UTC|{_OFFSET.pattern})$",
    "examples": ["+01:00", "-03:30", "Z"],
}
INTERVAL_SCHEMA: Schema = {
    "type": "string",
    "pattern": rf"^\d{{1,6}}\s*({'|'.join(_SECONDS)})$",
    "examples": ["10 min", "15 min", "1 h"],
}
CLOCK_READING_SCHEMA: Schema = {
    "type": "string",
    "pattern": r"^\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d)?)?$",
}
DAY_SCHEMA: Schema = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$", "format": "date"}
INSTANT_SCHEMA: Schema = {"type": "string", "pattern": f"^{_INSTANT.pattern}$"}
NOISE_SCHEMA: Schema = {
    "anyOf": [
        {"type": "number", "exclusiveMinimum": 0},
        {"type": "string", "pattern": rf"^{_AMOUNT.pattern}$", "examples": ["0.5 mV"]},
    ]
}
GLOB_SCHEMA: Schema = {
    "type": "string",
    "pattern": r"^[^/\\][^\\]*$",
    "not": {"pattern": r"(^|/)\.\.(/|$)"},
    "examples": ["logger-a/*.csv", "**/*.log"],
}
_INSTANT_FORM = "a date like 2024-03-01 or a time like 2024-03-01T14:30 (+01:00 may follow)"
# The axis counts nanoseconds since 1970 in 64 bits; these years lie well inside.
_FIRST_YEAR, _LAST_YEAR = 1900, 2200
_FURTHEST_OFFSET_S = 14 * 3600
_LONGEST_UNIT = 64
# Typical units, offered where none fits.
_USUAL_UNITS = {
    "voltage": "'mV' or 'V'",
    "permittivity": "'1'",
    "root_permittivity": "'1'",
    "water_content": "'%' or 'm3 m-3'",
    "soil_temperature": "'degC'",
    "bulk_conductivity": "'dS/m' or 'mS/cm'",
    "rain": "'mm'",
    "air_temperature": "'degC'",
    "supply_voltage": "'V'",
}


def parse_number(text: str, decimal_comma: bool = False) -> float:
    """Return a finite number written in digits; a decimal comma counts where it is allowed."""
    if decimal_comma and text.count(",") == 1 and "." not in text:
        text = text.replace(",", ".")
    if not _NUMBER.fullmatch(text):
        raise BadValueError("a number", on_number(text))
    return _finite(float(text))


def finite_number(value: object) -> float:
    """Return a TOML number as a float; text and true/false are not numbers."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadValueError("a number", "Write it without quotes.")
    try:
        return _finite(float(value))
    except OverflowError:
        raise BadValueError("a number of ordinary size") from None


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise BadValueError("a finite number")
    return number


def parse_instant(value: object, offset_s: int) -> datetime:
    """Return a date or time as UTC; without an offset it is in the site's standard time.

    Parameters
    ----------
    value : str, date or datetime
        As written in a table or in TOML.
    offset_s : int, [s]
        The site's standard time minus UTC.

    Raises
    ------
    BadValueError
        If it is no date, has fractions of a second, or lies outside 1900 to 2200.
    """
    local = _written_instant(value)
    if not _FIRST_YEAR <= local.year <= _LAST_YEAR:
        raise BadValueError(f"a year from {_FIRST_YEAR} to {_LAST_YEAR}")
    if local.microsecond:
        raise BadValueError("whole seconds")
    if local.tzinfo is None:
        local = local.replace(tzinfo=timezone(timedelta(seconds=offset_s)))
    return local.astimezone(UTC)


def stated_instant(instant: datetime, offset_s: int) -> str:
    """Return an instant as a description states it: in the site's standard time."""
    local = instant.astimezone(timezone(timedelta(seconds=offset_s)))
    return local.isoformat(timespec="minutes").replace("+00:00", "Z")


def _written_instant(value: object) -> datetime:
    if isinstance(value, datetime):
        return value
    if isinstance(value, date):
        return datetime.combine(value, time())
    if not isinstance(value, str):
        raise BadValueError(_INSTANT_FORM)
    text = value.strip()
    if not _INSTANT.fullmatch(text):
        raise BadValueError(_INSTANT_FORM, on_instant(text))
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise BadValueError("a date that exists", "Look at month, day and hour.") from None


def parse_clock_reading(value: object) -> int:
    """Return what a clock shows as seconds since 1970 on that clock; it has no offset."""
    local = _written_instant(value)
    if local.tzinfo is not None or local.microsecond:
        raise BadValueError("a date or time without an offset, as the clock shows it")
    if not _FIRST_YEAR <= local.year <= _LAST_YEAR:
        raise BadValueError(f"a year from {_FIRST_YEAR} to {_LAST_YEAR}")
    return int(local.replace(tzinfo=UTC).timestamp())


def parse_day(value: object) -> date:
    """Return a calendar day; a time of day would leave the site's days without a start."""
    written = _written_instant(value)
    if written.time() != time() or written.tzinfo is not None:
        raise BadValueError("a date without a time, like 2024-03-01")
    if not _FIRST_YEAR <= written.year <= _LAST_YEAR:
        raise BadValueError(f"a year from {_FIRST_YEAR} to {_LAST_YEAR}")
    return written.date()


def parse_offset(value: object) -> int:
    """Return an offset from UTC such as ``+01:00`` or ``Z`` in seconds."""
    expected = "an offset from UTC like '+01:00', '-03:30' or 'Z'"
    if not isinstance(value, str):
        raise BadValueError(expected, "Write it in quotes, hours with two digits.")
    if value.strip() in ("Z", "UTC"):
        return 0
    match = _OFFSET.fullmatch(value.strip())
    if match is None:
        raise BadValueError(expected, on_offset(value.strip()))
    hours, minutes = int(match.group(2)), int(match.group(3))
    seconds = hours * 3600 + minutes * 60
    if minutes > 59 or seconds > _FURTHEST_OFFSET_S:
        raise BadValueError("an offset within 14 hours of UTC")
    return -seconds if match.group(1) == "-" else seconds


def parse_interval(value: object) -> int:
    """Return an interval such as ``15 min`` in seconds; it must divide a day."""
    expected = "an interval like '15 min', '1 h' or '30 s'"
    match = _DURATION.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        advice = (
            f"Write the unit with it, as in '{value} min'." if isinstance(value, int) else ""
        )
        raise BadValueError(expected, advice)
    count, unit = int(match.group(1)), match.group(2).lower()
    if unit not in _SECONDS:
        raise BadValueError(expected, did_you_mean(unit, _SECONDS))
    seconds = count * _SECONDS[unit]
    if not 0 < seconds <= DAY_S or DAY_S % seconds:
        raise BadValueError("an interval that divides a day", "10 min, 15 min and 1 h do.")
    return seconds


def check_unit(unit: str, quantity: str) -> None:
    """Raise `BadValueError` unless values in ``unit`` can become ``quantity``."""
    expected = f"a unit of {quantity}, such as {_USUAL_UNITS[quantity]}"
    if not unit or len(unit) > _LONGEST_UNIT:
        raise BadValueError(expected)
    try:
        conversion(unit, quantity)
    except (UnitsError, ArithmeticError, RecursionError, ValueError):
        raise BadValueError(expected) from None


def check_any_unit(unit: str) -> None:
    """Raise `BadValueError` unless the text is a unit of something."""
    if len(unit) > _LONGEST_UNIT:
        raise BadValueError("a unit")
    try:
        if not is_usual(unit):
            parse_unit(unit)
    except (UnitsError, ArithmeticError, RecursionError, ValueError):
        raise BadValueError("a unit, such as '%', 'mV' or 'g cm-3'") from None


def parse_noise(value: object, quantity: str) -> float:
    """Return a standard deviation in the quantity's own unit.

    A noise is a difference, so only the factor of the unit counts: 0.1 K is 0.1 degC.
    """
    if isinstance(value, str):
        match = _AMOUNT.fullmatch(value.strip())
        if match is None:
            raise BadValueError("a number and a unit, like '0.5 mV'")
        unit = (match.group(2) or VARIABLES[quantity].units).strip()
        check_unit(unit, quantity)
        amount = parse_number(match.group(1)) * conversion(unit, quantity).factor
    else:
        amount = finite_number(value)
    if amount <= 0:
        raise BadValueError("a standard deviation above 0")
    return amount


def parse_glob(value: object) -> str:
    """Return a file pattern that cannot leave the data folder."""
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise BadValueError("a file pattern like 'logger-a/*.csv'")
    if "\\" in value:
        forward = value.replace("\\", "/")
        raise BadValueError("a pattern with forward slashes", f"Write {forward!r}.")
    parts = PurePosixPath(value).parts
    if value.startswith("/") or PureWindowsPath(value).drive or ".." in parts or not parts:
        raise BadValueError(
            "a pattern below the data folder",
            "Leave out the leading '/' and every '..'; set 'data' in [site] to the folder.",
        )
    if any("**" in part and part != "**" for part in parts):
        raise BadValueError("'**' alone between slashes, like '**/*.csv'")
    return value


def parse_address(value: object) -> str:
    """Return a folder or, for the store, an ``s3://`` address."""
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise BadValueError("a folder")
    return value


def choose(word: str, options: list[str]) -> str:
    """Return ``word`` if it is one of ``options``."""
    if word not in options:
        raise BadValueError(one_of(options), did_you_mean(word, options))
    return word
