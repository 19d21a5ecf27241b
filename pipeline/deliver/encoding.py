"""How values are packed on disk: compression, bits kept, chunks.

Chosen by measurement; ``tests/benchmarks/bench_netcdf.py`` keeps the comparison. For water
content, zlib level 1 with byte shuffling is within a tenth as small as level 9 and several
times as fast. Rounding to 12 bits of mantissa halves the file and moves no value below
0.5 m3 m-3 by more than 0.00003, a twenty-fifth of the noise of a good sensor. No filter
outside the HDF5 library is used, because a reader may lack it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import netCDF4
import numpy as np
import xarray as xr
from numpy.typing import NDArray

# One chunk holds one tube with all its depths, up to this size: reading a profile's history
# touches nothing else, and the file may still be read in parts.
CHUNK_BYTES = 2**20
# What is held in memory at once while values are copied from the store.
SLAB_BYTES = 2**24

_MANTISSA_BITS = 23  # of IEEE 754 single precision, without the implied one


@dataclass(frozen=True)
class Packing:
    """How one kind of field is stored; ``bits`` of mantissa are kept, None keeps all."""

    dtype: str
    bits: int | None = None
    level: Literal[0, 1, 2, 3, 4, 5, 6, 7, 8, 9] = 1
    shuffle: bool = True


PACKINGS: dict[str, Packing] = {
    "water_content": Packing("f4", bits=12),  # within 0.00003 below 0.5 m3 m-3
    "logged": Packing("f4", bits=12),  # within 0.004 degC below 64 degC
    "error": Packing("f4", bits=9),  # within 0.1 % of itself
    "storage": Packing("f4", bits=15),  # within 0.004 mm below 512 mm
    "layer": Packing("f4"),  # in full: layers must add up to the profile
    "weather": Packing("f4"),  # few values, as logged
    "flag": Packing("u1"),
    "mask": Packing("u2"),
    "count": Packing("u2"),
}


def round_mantissa(values: NDArray[np.float32], bits: int) -> NDArray[np.float32]:
    """Round to ``bits`` explicit bits of mantissa, halves to even; the rest become zeros.

    The BitRound of CF 1.12 section 8.4. NaN becomes the one standard NaN, infinity stays.

    Parameters
    ----------
    values : float32, any shape
    bits : int
        1 to 22.

    Returns
    -------
    float32, same shape
        Within half a unit of the last bit kept.

    References
    ----------
    Klöwer et al. (2021), Nature Computational Science 1, 713-724,
    doi:10.1038/s43588-021-00156-2.
    """
    dropped = _MANTISSA_BITS - bits
    pattern = values.view(np.uint32)
    result = pattern >> np.uint32(dropped)
    result &= np.uint32(1)  # the last bit kept decides where a half goes
    result += np.uint32((1 << (dropped - 1)) - 1)
    result += pattern
    result &= np.uint32(0xFFFFFFFF << dropped & 0xFFFFFFFF)
    rounded = result.view(np.float32)
    np.copyto(rounded, np.float32(np.nan), where=np.isnan(values))  # it may have carried out
    return rounded


def chunk_shape(dims: Sequence[str], shape: Sequence[int]) -> tuple[int, ...]:
    """Return the chunk of a field: one instance (its first dimension), much time, all else."""
    others = [n for dim, n in zip(dims[1:], shape[1:], strict=True) if dim != "time"]
    longest = max(CHUNK_BYTES // (4 * max(int(np.prod(others, dtype=np.int64)), 1)), 1)
    rest = (
        min(size, longest) if dim == "time" else size
        for dim, size in zip(dims[1:], shape[1:], strict=True)
    )
    return 1, *rest


def create_field(
    file: netCDF4.Dataset, name: str, dims: tuple[str, ...], packing: Packing
) -> netCDF4.Variable:
    """Create a compressed variable with explicit chunks.

    Float fields get a NaN ``_FillValue``; flags get none, because one would turn them into
    floats in readers that apply it.
    """
    shape = [file.dimensions[dim].size for dim in dims]
    variable = file.createVariable(
        name,
        packing.dtype,
        dims,
        compression="zlib",
        complevel=packing.level,
        shuffle=packing.shuffle,
        chunksizes=chunk_shape(dims, shape),
        fill_value=np.float32(np.nan) if packing.dtype == "f4" else None,
        # Whole chunks are written once: the library's own 16 MB a variable would lie idle.
        chunk_cache=2 * CHUNK_BYTES,
    )
    variable.set_auto_maskandscale(False)
    return variable


def create_text(
    file: netCDF4.Dataset, name: str, dim: str, texts: list[str]
) -> netCDF4.Variable:
    """Create a character array and fill it.

    Characters rather than strings: the variable-length kind can end the process when a file is
    opened twice at once, and not every reader knows it.
    """
    encoded = [text.encode("utf-8") for text in texts]
    width = max((len(text) for text in encoded), default=0) or 1
    length = f"{name}_strlen"
    file.createDimension(length, width)
    variable = file.createVariable(name, "S1", (dim, length))
    variable.setncattr("_Encoding", "utf-8")
    variable.set_auto_chartostring(False)
    variable[:] = np.array(encoded, dtype=f"S{width}").view("S1").reshape(-1, width)
    return variable


def copy_field(array: xr.DataArray, variable: netCDF4.Variable, packing: Packing) -> None:
    """Copy values to a variable on disk, slab by slab, rounded as ``packing`` says.

    Parameters
    ----------
    array : DataArray, (time or day, instance, ...)
        Read a slab at a time, so one that is backed by a store never lies in memory whole.
    variable : netCDF4.Variable, (instance, ...)
        The same dimensions, in whatever order; time is called ``time``.
    """
    clock, instance = str(array.dims[0]), str(array.dims[1])
    order = [clock if dim == "time" else dim for dim in variable.dimensions]
    width = max(int((array.encoding.get("preferred_chunks") or {}).get(instance, 1)), 1)
    length = _slab_length(array, variable, width)
    for first in range(0, array.sizes[instance], width):
        for start in range(0, array.sizes[clock], length):
            window = {
                instance: slice(first, first + width),
                clock: slice(start, start + length),
            }
            part = array.isel(window).transpose(*order).values
            part = np.ascontiguousarray(part, dtype=variable.dtype)
            if packing.bits is not None:
                part = round_mantissa(part, packing.bits)
            variable[tuple(window.get(dim, slice(None)) for dim in order)] = part


def _slab_length(array: xr.DataArray, variable: netCDF4.Variable, width: int) -> int:
    """Return how many steps to copy at once: whole chunks, so that none is packed twice."""
    cell = array.dtype.itemsize * int(np.prod(array.shape[2:], dtype=np.int64))
    chunk = int(variable.chunking()[variable.dimensions.index("time")])
    return max(SLAB_BYTES // max(cell * width * chunk, 1), 1) * chunk
