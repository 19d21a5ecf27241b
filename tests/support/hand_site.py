"""A bare site with hand rounds, and readings for it."""

from __future__ import annotations

import numpy as np
import pandas as pd
from bare_site import START, make_horizon, make_law, make_probe_law, make_site, make_tube
from bare_site import make_wire as wire

from pipeline.site.models import Soil

ORIGIN_S = int(START.timestamp())
QUARTER_S = 900
COLUMNS = [
    "time_s",
    "tube",
    "reader",
    "direction_deg",
    "depth_m",
    "quantity",
    "value",
    "occurrence",
    "source",
    "file",
    "line",
]
MARK = {"reader": "Ada", "direction_deg": 0.0, "depth_m": 0.1, "quantity": "water_content"}


def hand_site(**changes):
    """Return a site: T1 logged at 0.1 and 0.3 m every 15 min; T2, 5 cm deeper, by hand."""
    tubes = (make_tube("T1"), make_tube("T2", set_in_m=0.05))
    fields = {
        "interval_s": QUARTER_S,
        "tubes": tubes,
        "wiring": (wire("T1", 0.1), wire("T1", 0.3)),
        "soils": {
            "loam": Soil(
                id="loam",
                horizons=(
                    make_horizon(name="A", bottom_m=0.25),
                    make_horizon(name="B", top_m=0.25, calibration="subsoil"),
                ),
            )
        },
        "laws": (
            make_law(),
            make_law(
                id="subsoil",
                form="linear_root_permittivity",
                coefficients={"slope": 0.1, "offset": -0.1},
                valid_from=1.5,
                valid_to=6.0,
                standard_error=0.01,
            ),
            make_probe_law(),
        ),
    }
    return make_site(**(fields | changes))


def table(*rows):
    """Return a table of rounds: rows say what differs from `MARK`; minutes from the start."""
    filled = []
    for line, row in enumerate(rows, start=2):
        given = {"tube": "T1", "occurrence": 0, "source": "book", "file": 7, "line": line}
        given |= MARK | row
        given["time_s"] = ORIGIN_S + int(60 * given.pop("minute", line))
        filled.append(given)
    frame = pd.DataFrame(filled, columns=COLUMNS)
    return frame.astype({"direction_deg": np.float64, "value": np.float64})
