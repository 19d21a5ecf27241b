"""Forks nights to be killed: everything is imported once, nothing is opened before the fork.

Reads lines "KIND FOLDER" from standard input, forks a night of that site (plain, or with
pictures: draw) or a delivery (deliver), and answers with the child's process id. A line "wait"
is answered with the child's exit status.
"""

import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import netCDF4  # noqa: F401 (loaded before the fork, for every child)
import numpy as np
import xarray as xr

from pipeline.delivering.contents import Request
from pipeline.delivering.numbered import deliver_site
from pipeline.nights import night
from pipeline.steps import STATION_STEPS, TUBE_STEPS
from pipeline.store.cubes import SPECS

NOW = datetime(2023, 4, 1, tzinfo=UTC)


def live(folder: Path, kind: str) -> None:
    if kind == "deliver":
        deliver_site(folder, Request(pictures=False))
        return
    done = night.store_night(folder, NOW)
    parts = [night.deliver_night(folder, done)]
    if kind == "draw":
        parts.append(night.draw_night(folder, done))
    night.close_night(folder, done, *parts)


def warm_up(folder: Path) -> None:
    """Load compiled code by running the steps over a day of nothing, without any store."""
    site = night.open_description(folder)
    coords = {
        "time": site.axis.times(0, site.axis.steps_per_day),
        "tube": np.array([tube.tube for tube in site.tubes], dtype=object),
        "depth": np.array(site.depths_m),
        "layer": np.array([layer.name for layer in site.derive.layers], dtype=object),
        "station": np.array(site.stations, dtype=object),
    }
    for step in (*TUBE_STEPS, *STATION_STEPS):
        specs = [SPECS[key] for key in step.reads]
        block = xr.Dataset(
            {s.name: (s.dims, s.empty(tuple(len(coords[d]) for d in s.dims))) for s in specs},
            {dim: coords[dim] for s in specs for dim in s.dims},
        )
        step.function(block, site)


def main() -> None:
    warm_up(Path(sys.argv[1]))
    child = 0
    for line in sys.stdin:
        if line.strip() == "wait":
            _, status = os.waitpid(child, 0)
            print(os.waitstatus_to_exitcode(status), flush=True)
            continue
        kind, folder = line.rstrip("\n").split(" ", 1)
        child = os.fork()
        if child == 0:
            code = 1
            try:
                live(Path(folder), kind)
                code = 0
            finally:
                os._exit(code)
        print(child, flush=True)


if __name__ == "__main__":
    main()
