"""What a cell of an unknown file may be: a number, a mark for no value, a part of a time."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

NULL_WORDS = frozenset(
    "nan na n/a #n/a n.a. null none nil - -- --- ---- * ** *** **** ***** ? . missing error "
    "err nodata inf -inf +inf #num! #value! overflow noval undef".split()
) | {"no data"}
# Numbers by which loggers and archives say "no value"; common practice, no standard.
_NEGATIVE = (99, 99.9, 99.99, 999, 999.9, 999.99, 6999, 7999, 9999, 9999.9, 9999.99, 32767)
_POSITIVE = (999.9, 999.99, 6999, 7999, 9999, 9999.9, 9999.99, 32767, 99999, 999999)
_LOWEST = (8999, 32768, 99999, 999999, 2147483648)
SENTINELS = frozenset((*(-float(n) for n in (*_NEGATIVE, *_LOWEST)), *map(float, _POSITIVE)))
_FAR = 1.0  # times the span of the other values, from them
_MOST_CELLS = 4000  # distinct ones, to tell how numbers are written
_EXPONENT = r"(?:[eE][-+]?\d+)?"
_SIGN = r"[-+\u2212]?"


@dataclass(frozen=True)
class Numerals:
    """How numbers are written."""

    decimal: str = "."
    group: str = ""

    def value(self, cell: str) -> float | None:
        """Return the number of a cell, or None."""
        if not _number(self).fullmatch(cell):
            return None
        plain = cell.replace(self.group, "") if self.group else cell
        return float(plain.replace(self.decimal, ".").replace("\u2212", "-"))


# In order of preference where two explain all cells equally well.
CONVENTIONS = tuple(
    Numerals(decimal, group)
    for group in ("", ",", ".", " ", "'", "\u00a0", "\u202f")
    for decimal in (".", ",")
    if decimal != group
)
_PATTERNS: dict[Numerals, re.Pattern[str]] = {}


def _number(numerals: Numerals) -> re.Pattern[str]:
    """Return the pattern of a number; with groups, of three digits each."""
    if numerals not in _PATTERNS:
        decimal, group = re.escape(numerals.decimal), re.escape(numerals.group)
        whole = rf"(?:\d{{1,3}}(?:{group}\d{{3}})+|\d+)" if group else r"\d+"
        body = rf"(?:{whole}(?:{decimal}\d*)?|{decimal}\d+)"
        _PATTERNS[numerals] = re.compile(rf"{_SIGN}{body}{_EXPONENT}")
    return _PATTERNS[numerals]


_ANY_NUMBER = re.compile(rf"{_SIGN}(?:\d[\d., '\u00a0\u202f]*|[.,]\d+){_EXPONENT}")
_CLOCK = (
    r"\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?(?: ?[AaPp]\.?[Mm]\.?)?(?: ?(?:Z|[-+]\d\d:?\d\d))?"
)
_MONTH = r"[A-Za-z]{3,9}\.?"
_DATE = (
    rf"(?:\d{{1,4}}[-/. ](?:\d{{1,2}}|{_MONTH})[-/. ,] ?\d{{1,4}}"
    rf"|{_MONTH} \d{{1,2}},? \d{{4}})"
)
_STAMP_PIECE = re.compile(
    rf"{_DATE}(?:[T ,]+{_CLOCK})?|{_CLOCK}|\d{{8}} \d{{4,6}}|[AaPp]\.?[Mm]\.?"
)


def is_null(cell: str) -> bool:
    """Tell whether a cell is empty or one of the usual words for no value."""
    return not cell or cell.lower() in NULL_WORDS


def is_typed(cell: str) -> bool:
    """Tell whether a cell is more than text: a number, a part of a time, no value."""
    if is_null(cell) or _STAMP_PIECE.fullmatch(cell):
        return True
    # Blanks part groups of digits only: "2024 1" is no number but two cells in one.
    if not _ANY_NUMBER.fullmatch(cell):
        return False
    return any(numerals.value(cell) is not None for numerals in CONVENTIONS)


def best_numerals(cells: Sequence[str], delimiter: str | None) -> tuple[Numerals, str]:
    """Return how most cells write numbers, and what is unsure about it."""
    distinct = dict.fromkeys(cells)
    told = [cell for cell in distinct if not is_null(cell)][:_MOST_CELLS]
    usable = [n for n in CONVENTIONS if delimiter not in (" +", None) or n.group != " "]
    counts = [sum(n.value(cell) is not None for cell in told) for n in usable]
    best = usable[counts.index(max(counts))]
    commas = [cell for cell in told if "," in cell and best.value(cell) is not None]
    as_groups = Numerals(".", ",")
    if best.decimal == "," and not best.group and commas:
        if all(as_groups.value(cell) is not None for cell in commas):
            return best, (
                f"the comma: {commas[0]!r} is read as a decimal comma, but every number that "
                f"has one would do with groups of thousands too"
            )
    return best, ""


def sentinels_of(values: Iterable[float]) -> set[float]:
    """Return the usual numbers for "no value" that stand far from a column's other values."""
    held = list(values)
    suspects = {value for value in held if value in SENTINELS}
    if not suspects:
        return set()
    others = [value for value in held if value not in suspects]
    if not others:
        return suspects if len(suspects) == 1 and min(suspects) < 0 else set()
    low, high = min(others), max(others)
    margin = _FAR * max(high - low, 1.0)
    return {
        s for s in suspects if s < low - margin or s > high + margin or _only_negative(s, low)
    }


def _only_negative(value: float, low: float) -> bool:
    """Tell whether a value is negative among values that never are."""
    return value < 0 <= low
