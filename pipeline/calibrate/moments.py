"""When the readings of a block were taken, as against the steps for which they stand.

A reading stands at the step nearest to it, so one taken just before a probe was changed may
stand at a step just after. What was in force as it was taken holds for it, not what was in
force at the step.
"""

from __future__ import annotations

import numpy as np
import xarray as xr

from pipeline.variables import SIGNALS

_DIMS = ("time", "tube", "depth")


class Moments:
    """The instants at which a block's readings were taken.

    Parameters
    ----------
    block : Dataset (time, tube, depth)
        Signals as logged and, beside each, its ``*_offset_s`` [s]: how far a reading lies from
        its step, less than half an interval. Without it readings lie on their steps.
    """

    def __init__(self, block: xr.Dataset) -> None:
        self.seconds = block["time"].values.astype("datetime64[s]").astype(np.int64)
        self._signals = [
            tuple(block[key].transpose(*_DIMS).values for key in (name, f"{name}_offset_s"))
            for name in SIGNALS
            if name in block and f"{name}_offset_s" in block
        ]

    def first_step(self, at_s: int, row: int, column: int) -> int:
        """Return the first step of a sensor whose reading was taken at an instant or after.

        Instants follow each other as steps do, and none is further off than the next step.
        """
        step = int(np.searchsorted(self.seconds, at_s, side="left"))
        if step > 0 and self._taken_s(step - 1, row, column) >= at_s:
            return step - 1
        if step < self.seconds.size and self._taken_s(step, row, column) < at_s:
            return step + 1
        return step

    def _taken_s(self, step: int, row: int, column: int) -> int:
        """Return when a cell's reading was taken; without one, the step."""
        for values, offset_s in self._signals:  # in the order in which they count
            if not np.isnan(values[step, row, column]):
                return int(self.seconds[step]) + int(offset_s[step, row, column])
        return int(self.seconds[step])
