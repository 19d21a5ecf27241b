"""Which neighbours speak of the gradient at a sensor: arithmetic alone, for the trace."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.site.models import Site

# How far a sensor feels an edge [m]: three widths of the bell of soil that a profile sensor
# averages over, about 3 cm (common practice; a probe's own figure is seldom better known).
FELT_WITHIN_M = 0.10


def horizon_edges(site: Site, tube: str) -> list[float]:
    """Return the depths [m] at which one horizon of a tube's soil ends and another begins."""
    soil = site.soils.get(site.tube_by_id[tube].soil)
    return [] if soil is None else [horizon.top_m for horizon in soil.horizons[1:]]


def is_felt(edges_m: Sequence[float], depth_m: float, other_m: float) -> bool:
    """Tell whether the slope to another sensor is that of the soil around the first."""
    low, high = sorted((depth_m, other_m))
    between = [edge for edge in edges_m if low < edge <= high]
    away = min((abs(edge - depth_m) for edge in between), default=0.0)
    return round(away, 4) <= FELT_WITHIN_M


def steeper_slope(
    edges_m: Sequence[float], profile: Sequence[tuple[float, float | None]], depth_m: float
) -> float:
    """Return the gradient at a sensor [m3 m-3 per m], as the step has it.

    Parameters
    ----------
    edges_m : sequence of float
    profile : sequence of (real depth [m], water content [m3 m-3] or None)
        Of all sensors of the tube, in any order.
    depth_m : float
        Real depth of the sensor asked for; 0 is returned where it has no value.
    """
    known = sorted((d, v) for d, v in profile if v is not None and 0.0 <= v <= 1.0)
    own = [value for depth, value in known if depth == depth_m]
    if not own:
        return 0.0
    above = [one for one in known if one[0] < depth_m][-1:]
    below = [one for one in known if one[0] > depth_m][:1]
    slopes = [
        abs((value - own[0]) / (depth - depth_m))
        for depth, value in above + below
        if is_felt(edges_m, depth_m, depth)
    ]
    return max(slopes, default=0.0)
