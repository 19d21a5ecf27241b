"""What a step is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import xarray as xr

from pipeline.site.models import Site

Look = Callable[[Site], tuple[int, int]]


@dataclass(frozen=True)
class Step:
    """One step: a function of a block of tubes over a window, and what it reads and writes.

    ``reads`` and ``writes`` are keys of `pipeline.store.cubes.SPECS`. ``look`` returns how
    many seconds the step looks back and ahead of each value it writes. ``version`` rises when
    its arithmetic changes; everything it feeds is then computed again.
    """

    name: str
    function: Callable[[xr.Dataset, Site], xr.Dataset]
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    look: Look
    reference: str
    version: int = 1
