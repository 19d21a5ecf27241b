"""Spikes scored on what can be seen: readings that stand off the true soil water as logged.

A planted spike is of at least four times the noise, but what is logged is the spike and the
noise of that reading together: of the smallest, half stand less than that off the truth. Noise
alone now and then makes a single reading that does. Here both are judged by what was logged.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from truth_faults import EVERY_KIND, LEAST_SPIKE
from truth_field import DIMS, Field, make_field
from truth_score import Counts, fired, near, tests_built
from truth_site import Instruments

# What counts as a spike that was to be found.
ALL, PLANTED = "planted or made by noise", "planted"


def without_noise(
    seed: int,
    soils: Iterable[str],
    interval_s: int,
    days: int = 365,
    faults: Iterable[str] = EVERY_KIND,
) -> NDArray[np.float32]:
    """Return what the sensors of a field would log without noise, and so without spikes."""
    instruments = replace(Instruments(), noise=0.0, resolution=1e-6)
    field = make_field(seed, soils, interval_s, days, instruments, faults)
    values: NDArray[np.float32] = field.readings["permittivity"].transpose(*DIMS).values
    return values


def score_standing(
    field: Field, still: NDArray[np.float32], result: xr.Dataset
) -> dict[str, Counts]:
    """Return the single readings found that stand off what was true by four times the noise.

    Parameters
    ----------
    field : Field
    still : array (time, tube, depth)
        Of `without_noise`.
    result : Dataset
        Of the steps over the field.

    Returns
    -------
    dict of Counts
        `ALL`: all such readings are to be found. `PLANTED`: those of planted spikes are, those
        that noise made count neither way. False are flagged readings that stand off less.
        Cells in or beside other faults do not count.
    """
    logged = field.readings["permittivity"].transpose(*DIMS).values
    stand = np.abs(logged - still) >= LEAST_SPIKE * Instruments().noise
    lone = stand.copy()
    lone[1:] &= ~stand[:-1]
    lone[:-1] &= ~stand[1:]
    kinds = {label.kind for label in field.labels} - {"spike"}
    free = ~near(field.label_mask(*kinds, "frozen"))
    free[:, [role not in ("sound", "worn") for role in field.roles.values()]] = False
    flagged = fired(result, tests_built("spike")) & free
    planted = field.label_mask("spike")
    false = int((flagged & ~stand).sum())
    return {
        name: Counts(int((flagged & those).sum()), int((~flagged & those).sum()), false)
        for name, those in ((ALL, lone & free), (PLANTED, lone & planted & free))
    }
