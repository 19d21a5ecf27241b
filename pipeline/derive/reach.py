"""How far down a tube is read by hand: a round that stops short of it tells nothing below.

What the site's rules carry on above the first and below the last sensor, they carry on from
the ends of a tube. The last depth of a round that was cut short is no end.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.arrays import Floats
from pipeline.derive.weights import THINNEST_M, EndRules

# A depth that this part of the rounds reaches is the tube's; fewer may be slips of the pen.
_PART = 4


class Reach(NamedTuple):
    """From where and down to where a tube is read, [m]."""

    first_m: float
    last_m: float

    @staticmethod
    def of(first_m: Floats, last_m: Floats) -> Reach:
        """Return the reach of a quarter of the rounds or more.

        Parameters
        ----------
        first_m, last_m : (round,), [m]
            The first and the last depth of each round; one round at least.
        """
        # Of rounds in the order of how far they reach, those from this one on are a quarter.
        place = (_PART - 1) * len(last_m) // _PART
        return Reach(float(-np.sort(-first_m)[place]), float(np.sort(last_m)[place]))

    def rules(self, first_m: float, last_m: float, rules: EndRules) -> EndRules:
        """Return the rules of a round: an end short of the tube's own is carried nowhere."""
        return EndRules(
            "none" if first_m > self.first_m + THINNEST_M else rules.above,
            "none" if last_m < self.last_m - THINNEST_M else rules.below,
        )
