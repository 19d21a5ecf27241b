"""The two flag schemes: one bit for each test, one primary flag for each cell."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from pipeline.variables import describe, require_alike, require_dims

if TYPE_CHECKING:  # the command is quick where no array is labelled
    import xarray as xr


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
# ``neighbour_tube`` is of whole days, in the mask of the daily files (docs/tubes.md).
TEST_BITS: dict[str, int] = {
    "missing": 1,
    "outside_calibration": 2,
    "gross_range": 4,
    "rate_of_change": 8,
    "flat_line": 16,
    "spike": 32,
    "noise_burst": 64,
    "step": 128,
    "frozen": 256,
    "neighbour_depth": 512,
    "timing": 1024,
    "maintenance": 2048,
    "supply": 4096,
    "decision": 8192,
    "neighbour_tube": 16384,
}


def pack(flags: Mapping[str, xr.DataArray]) -> xr.DataArray:
    """Return the ``tests`` mask of boolean flags, one for each test named.

    Parameters
    ----------
    flags : mapping of str to DataArray of bool, one shape, [1]
        Keys are those of `TEST_BITS`; a test left out has not fired. At least one.

    Returns
    -------
    DataArray of uint16, same dims
        With CF ``flag_masks`` and ``flag_meanings``.

    Raises
    ------
    ValueError
        If a key is no test, an array is not boolean, has other dimensions or labels than the
        first, or there is none.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.qc.flags import pack, unpack
    >>> fired = {"spike": xr.DataArray([True, False]), "missing": xr.DataArray([False, True])}
    >>> pack(fired).values.tolist(), unpack(pack(fired))["spike"].values.tolist()
    ([32, 1], [True, False])
    """
    unknown = sorted(set(flags) - set(TEST_BITS))
    if unknown or not flags:
        raise ValueError(f"expected one or more of {sorted(TEST_BITS)}, found {unknown}")
    for name, flag in flags.items():
        if flag.dtype != bool:
            raise ValueError(f"{name!r}: expected booleans, found {flag.dtype}")
    first = next(iter(flags.values()))
    for flag in flags.values():
        require_dims(flag, *map(str, first.dims))
        require_alike(flag, first)
    bits = [
        flag.astype(np.uint16) * np.uint16(TEST_BITS[name]) for name, flag in flags.items()
    ]
    mask = bits[0]
    for more in bits[1:]:
        mask = mask | more
    return describe_tests(mask)


def unpack(tests: xr.DataArray) -> dict[str, xr.DataArray]:
    """Return one boolean array for each test of a ``tests`` mask, True where it fired.

    Parameters
    ----------
    tests : DataArray of whole numbers, any dims, [1]
        As `pack` gives it. Stays lazy if it is.

    Returns
    -------
    dict of str to DataArray of bool, same dims
        By the names of `TEST_BITS`.

    Raises
    ------
    ValueError
        If the numbers are not whole ones.

    Examples
    --------
    >>> import xarray as xr
    >>> from pipeline.qc.flags import unpack
    >>> fired = unpack(xr.DataArray([32, 1, 33]))
    >>> fired["spike"].values.tolist(), fired["missing"].values.tolist()
    ([True, False, True], [False, True, True])
    """
    if tests.dtype.kind not in "ui":
        raise ValueError(
            f"{tests.name!r}: expected whole numbers, found {tests.dtype}; open the file with "
            f"mask_and_scale=False, or fill what is missing and convert"
        )
    found, wide = {}, tests.astype(np.int64)
    for name, bit in TEST_BITS.items():
        flag = ((wide & bit) != 0).rename(name)
        flag.attrs = {}
        found[name] = flag
    return found


def describe_tests(mask: xr.DataArray) -> xr.DataArray:
    """Return a mask of tests with the attributes CF asks for."""
    result = describe(mask, "tests")
    result.attrs["flag_masks"] = np.array(list(TEST_BITS.values()), dtype=np.uint16)
    result.attrs["flag_meanings"] = " ".join(TEST_BITS)
    return result


def describe_quality(flag: xr.DataArray, name: str = "quality") -> xr.DataArray:
    """Return a primary flag with the attributes CF asks for."""
    result = describe(flag, name)
    result.attrs["flag_values"] = np.array([int(quality) for quality in Quality], np.uint8)
    result.attrs["flag_meanings"] = " ".join(quality.name.lower() for quality in Quality)
    return result
