"""What a doubt about a sensor's depth does to its water content: doubt times local gradient.

A tube stands some centimetres off its stated depth, and with it all its sensors. Where water
changes with depth, a reading is then that of another depth. The gradient is taken from the
sensors around, at the same step: from the nearest one above and below that has a value, and of
the two slopes the steeper one counts, since a gradient grows steeper near a front or an edge.

Water may jump at the edge of a horizon. A slope across an edge speaks for a sensor only if the
edge is near enough to be felt by it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from pipeline.arrays import Floats
from pipeline.calibrate.felt import horizon_edges, is_felt
from pipeline.compiled import kernel
from pipeline.site.models import Site

_DIMS = ("time", "tube", "depth")


class Ladder(NamedTuple):
    """The sensors of several tubes by real depth; ``T`` tubes of ``D`` places.

    Beyond ``sensors`` places a tube's row is not used.
    """

    sensors: NDArray[np.int64]  # (T,), how many the tube has
    order: NDArray[np.int64]  # (T, D), place in the block of the n-th sensor from above
    depth_m: Floats  # (T, D), real depth of the n-th sensor
    speaks: NDArray[np.bool_]  # (T, D, D), whether the slope to sensor m counts for n
    uncertainty_m: Floats  # (T,)


def make_ladder(site: Site, tubes: list[str], nominal_m: list[float]) -> Ladder:
    """Return the sensors of some tubes, by real depth.

    Parameters
    ----------
    site : Site
    tubes : list of str
    nominal_m : list of float, [m]
        The nominal depths of a block, in its order.
    """
    shape = (len(tubes), len(nominal_m))
    count = np.zeros(shape[0], dtype=np.int64)
    order = np.zeros(shape, dtype=np.int64)
    depth_m = np.zeros(shape)
    speaks = np.zeros((*shape, shape[1]), dtype=np.bool_)
    wired = {(wire.tube, wire.depth_m) for wire in site.wiring if wire.depth_m is not None}
    for row, tube in enumerate(tubes):
        edges = horizon_edges(site, tube)
        real = [
            (site.sensor_depth_m(tube, nominal), place)
            for place, nominal in enumerate(nominal_m)
            if (tube, nominal) in wired
        ]
        real.sort()
        count[row] = len(real)
        for n, (depth, place) in enumerate(real):
            order[row, n], depth_m[row, n] = place, depth
            for m, (other, _) in enumerate(real):
                speaks[row, n, m] = other != depth and is_felt(edges, depth, other)
    return Ladder(count, order, depth_m, speaks, _uncertainties(site, tubes))


def _uncertainties(site: Site, tubes: list[str]) -> Floats:
    return np.array([site.depth_uncertainty_m(tube) for tube in tubes], dtype=np.float64)


def depth_error(water_content: xr.DataArray, site: Site) -> Floats:
    """Standard uncertainty of water content that comes from the depth's.

    Parameters
    ----------
    water_content : DataArray (time, tube, depth), [m3 m-3]
        As calibrated.
    site : Site
        Tells real depths, horizons and how sure the depths are.

    Returns
    -------
    array (time, tube, depth), [m3 m-3]
        Zero where no other sensor of the tube has a value that speaks for the place: nothing
        is known of a gradient there. NaN where water content is.

    References
    ----------
    JCGM 100:2008 (GUM), equation 10: the sensitivity to depth is the gradient.
    """
    part = np.zeros([water_content.sizes[dim] for dim in _DIMS])
    content = water_content.transpose(*_DIMS).values
    _fill_parts(_as_kernel_takes(content), _ladder_of(water_content, site), part)
    part[np.isnan(content)] = np.nan
    return part


def add_depth_error(
    water_content: NDArray[np.float32],
    systematic_error: NDArray[np.float32],
    block: xr.Dataset,
    site: Site,
) -> None:
    """Add the part of `depth_error` to systematic errors, in quadrature and in place.

    Both arrays are (time, tube, depth) as the block. An error that is not stated stays NaN.
    """
    part = np.zeros(water_content.shape)
    _fill_parts(_as_kernel_takes(water_content), _ladder_of(block, site), part)
    whole = np.sqrt(systematic_error.astype(np.float64) ** 2 + part**2)
    systematic_error[...] = whole


def _ladder_of(block: xr.Dataset | xr.DataArray, site: Site) -> Ladder:
    tubes = [str(tube) for tube in block["tube"].values]
    return make_ladder(site, tubes, [float(depth) for depth in block["depth"].values])


def _as_kernel_takes(content: NDArray) -> NDArray[np.float32]:
    return np.ascontiguousarray(content, dtype=np.float32)


@kernel
def _fill_parts(
    content: NDArray[np.float32], ladder: Ladder, part: Floats
) -> None:  # pragma: no cover
    """Raise ``part`` (time, tube, depth) to uncertainty of depth times the steeper slope.

    Sensors without a value, or with none that soil can have, are passed over: each pair of
    neighbours among the others makes one slope, which may speak for either.
    """
    for tube in range(content.shape[1]):
        count, doubt = ladder.sensors[tube], ladder.uncertainty_m[tube]
        if doubt == 0.0:
            continue
        order, depth_m, speaks = ladder.order[tube], ladder.depth_m[tube], ladder.speaks[tube]
        for time in range(content.shape[0]):
            row, out = content[time, tube], part[time, tube]
            m, above = -1, 0.0
            for n in range(count):
                own = np.float64(row[order[n]])
                if not 0.0 <= own <= 1.0:
                    continue
                if m >= 0 and (speaks[m, n] or speaks[n, m]):
                    error = doubt * abs((own - above) / (depth_m[n] - depth_m[m]))
                    if speaks[m, n]:
                        out[order[m]] = max(out[order[m]], error)
                    if speaks[n, m]:
                        out[order[n]] = error
                m, above = n, own
