"""Everything that decides the quality tests of a tube, dated and in a canonical text."""

from __future__ import annotations

import json

from pipeline.qc.plan import Cadence, sensor_cadences, sensor_plateau
from pipeline.site.limits import resolve_limits
from pipeline.site.models import Site


def effective_parameters(site: Site, tube: str) -> list[tuple[int | None, str]]:
    """Return the dated parameters of a tube's quality tests.

    As `pipeline.calibrate.effective.effective_parameters`: rising UTC seconds (None: since
    ever), each with a canonical JSON of all that decides the tests from then on.
    """
    depths = sorted(
        {w.depth_m for w in site.wiring if w.tube == tube and w.depth_m is not None}
    )
    limits = resolve_limits(site)
    cadences = {depth: sensor_cadences(site, tube, depth) for depth in depths}
    starts = {c.start_s for found in cadences.values() for c in found if c.start_s is not None}
    result: list[tuple[int | None, str]] = []
    for start_s in (None, *sorted(starts)):
        state = {
            repr(depth): {
                "limits": limits[tube, depth].model_dump(exclude={"why"}),
                "plateau": sensor_plateau(site, tube, depth),
                "stride": _stride_at(cadences[depth], start_s),
            }
            for depth in depths
        }
        text = json.dumps(state, sort_keys=True, separators=(",", ":"), allow_nan=False)
        if not result or result[-1][1] != text:
            result.append((start_s, text))
    return result


def _stride_at(cadences: list[Cadence], at_s: int | None) -> int:
    started = [
        c for c in cadences if c.start_s is None or (at_s is not None and c.start_s <= at_s)
    ]
    return started[-1].stride
