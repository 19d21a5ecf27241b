"""The two flag schemes of the project: one bit for each test, one primary flag for each cell."""

from __future__ import annotations

from enum import IntEnum


class Quality(IntEnum):
    """Primary flag, the IOC/UNESCO scale (Manuals & Guides 54, vol. 3, 2013)."""

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    BAD = 4
    MISSING = 9


# Of several verdicts on one cell the first in this order counts. Ours: the scale states none.
PRECEDENCE = (
    Quality.MISSING,
    Quality.BAD,
    Quality.SUSPECT,
    Quality.GOOD,
    Quality.NOT_EVALUATED,
)

# Bit of each test in the ``tests`` mask (uint16). Bits are never given a new meaning.
TEST_BITS: dict[str, int] = {
    "missing": 1,
    "outside_calibration": 2,
    "gross_range": 4,
    "rate_of_change": 8,
    "flat_line": 16,
    "spike": 32,
}
