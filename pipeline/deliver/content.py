"""What a file says, as against when it was written: digests that tell the two apart."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np

# Global attributes that name the state and the instant; the same content may be written again
# from a later state.
_OF_THE_STATE = (
    "date_created",
    "date_modified",
    "date_metadata_modified",
    "history",
    "product_version",
)
_SLAB_BYTES = 64 * 1024**2


def content_digest(path: Path) -> str:
    """Return a SHA-256 of what a file says.

    Of NetCDF: dimensions, variables as stored, and all attributes but those that name the
    state of the store and the instant of writing. Of any other file: its bytes.
    """
    if path.suffix != ".nc":
        return file_digest(path)
    digest = hashlib.sha256()
    with netCDF4.Dataset(path) as dataset:
        dataset.set_auto_maskandscale(False)
        for name in sorted(dataset.ncattrs()):
            if name not in _OF_THE_STATE:
                _take(digest, name, dataset.getncattr(name))
        for name, dimension in sorted(dataset.dimensions.items()):
            _take(digest, name, len(dimension))
        for name, variable in sorted(dataset.variables.items()):
            _take(digest, name, [str(variable.dtype), variable.dimensions])
            for attribute in sorted(variable.ncattrs()):
                _take(digest, attribute, variable.getncattr(attribute))
            for values in _slabs(variable):
                digest.update(values)
    return digest.hexdigest()


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _take(digest: Any, name: str, value: object) -> None:
    text = value.tolist() if isinstance(value, np.ndarray | np.generic) else value
    digest.update(f"{name}\0{text!r}\0".encode())


def _slabs(variable: Any) -> Iterable[bytes]:
    """Yield a variable's values as bytes, a bounded part at a time."""
    if variable.dtype is str:
        yield "\0".join(map(str, np.ravel(variable[...]))).encode()
        return
    if not variable.ndim or not variable.size:
        yield np.asarray(variable[...]).tobytes()
        return
    row = max(1, variable.size // max(1, variable.shape[0])) * variable.dtype.itemsize
    long = max(1, _SLAB_BYTES // row)
    for start in range(0, variable.shape[0], long):
        yield np.ascontiguousarray(variable[start : start + long]).tobytes()
