"""Stamps that run backwards although the logger's record counter goes on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def rows_run_back(
    utc_s: NDArray[np.int64],
    sound: NDArray[np.bool_],
    counter: NDArray[np.float64] | None,
) -> NDArray[np.int64]:
    """Return the rows stamped before the row above, which the logger wrote just before.

    The counter tells a clock that was put back from a file that holds an earlier stretch once
    more. Where there is none nothing is told; ``percolog check`` names such files.

    Parameters
    ----------
    utc_s : array (n,)
        Instants in the order of the file, after all repairs.
    sound : array (n,)
        False where a row's instant is in doubt.
    counter : array (n,) or None
        Record number; NaN where a row has none.
    """
    if counter is None or len(utc_s) < 2:
        return np.empty(0, dtype=np.int64)
    both = sound[1:] & sound[:-1]
    back = both & (np.diff(utc_s) < 0) & (np.diff(counter) == 1)
    return np.flatnonzero(back) + 1
