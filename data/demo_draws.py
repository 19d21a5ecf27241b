"""Random draws that are the same on every machine and with every library version.

numpy promises a stable stream for its bit generators, not for the distributions built on them
(NumPy Enhancement Proposal 19). Everything here is therefore made from raw 64-bit words with
exact arithmetic: the demo's files must come out the same to the byte wherever they are made.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np
from numpy.typing import NDArray

SEED = 20250320
# A sum of twelve uniforms has variance one: nearly normal, exact to the bit, bounded at six.
UNIFORMS_PER_NORMAL = 12


class Draws:
    """A stream of its own for each purpose, so that one more draw here moves nothing there."""

    def __init__(self, purpose: str, seed: int = SEED) -> None:
        digest = hashlib.sha256(f"{seed}:{purpose}".encode()).digest()
        self._bits = np.random.PCG64(int.from_bytes(digest[:16], "little"))

    def uniform(self, count: int) -> NDArray[np.float64]:
        """Return ``count`` numbers in [0, 1)."""
        words = np.atleast_1d(self._bits.random_raw(count)).astype(np.uint64)
        return (words >> np.uint64(11)) * 2.0**-53

    def one(self, low: float = 0.0, high: float = 1.0) -> float:
        """Return one number in [low, high)."""
        return low + (high - low) * float(self.uniform(1)[0])

    def exponential(self, mean: float) -> float:
        """Return one draw from the exponential distribution."""
        return -mean * math.log(1.0 - self.one())

    def normal(self, count: int) -> NDArray[np.float64]:
        """Return ``count`` nearly normal numbers, mean 0, standard deviation 1."""
        uniforms = self.uniform(count * UNIFORMS_PER_NORMAL)
        total = np.zeros(count)
        for part in uniforms.reshape(UNIFORMS_PER_NORMAL, count):
            total += part
        return total - UNIFORMS_PER_NORMAL / 2

    def below(self, limit: int) -> int:
        """Return one whole number in [0, limit)."""
        return int(self.one() * limit)
