"""An invented field of any size, written as logger exports, for the benchmarks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
from scipy.signal import lfilter

DEPTHS_CM = (10, 20, 30, 40, 60, 100)
INTERVAL_S = 600
STEPS_A_DAY = 86_400 // INTERVAL_S
START_S = 1_672_531_200  # 2023-01-01 00:00 UTC
TUBES_A_LOGGER = 5  # thirty channels and a stamp in each export
MOST_YEARS, STORM_EVERY_DAYS, STORM_STEPS = 12, 6, 12
DRY_MV, LEAD_DAYS = 420.0, 120
DRAINED_DAYS = (3.0, 3.0, 3.0, 4.0, 6.0, 9.0)  # of the soil around each sensor
DRUNK_MV_D = (4.0, 3.0, 2.0, 1.0, 0.5, 0.0)

SITE = """
[site]
id = "bench"
title = "A field to measure speed on"
summary = "Invented."
institution = "Invented institute"
start = 2023-01-01
utc_offset = "Z"
interval = "10 min"
data = "raw"
output = "out"
store = "store"

[site.creator]
name = "Nobody"

[sensor_noise]
voltage = "1 mV"

[delivery]
period = "month"

[[layer]]
name = "top"
top_cm = 0
bottom_cm = 40

[[layer]]
name = "profile"
top_cm = 0
bottom_cm = 100
"""

SOURCE = """
[[source]]
id = "L{n}"
kind = "table"
files = "L{n}/*.csv"
layout = "export"
[source.clock]
utc_offset = "Z"
"""

LAYOUT = """
title = "Plain export"
[[tableSchema.columns]]
name = "time"
titles = "time"
role = "stamp"
datatype = {base = "dateTime", format = "yyyy-MM-dd HH:mm:ss"}
"""

SOILS = """
[soil.loam]
title = "Loam"
[[soil.loam.horizon]]
name = "A"
top_cm = 0
bottom_cm = 45
calibration = "a"
[[soil.loam.horizon]]
name = "B"
top_cm = 45
bottom_cm = 150
calibration = "b"
"""

LAWS = """
[[law]]
id = "probe"
version = 1
kind = "probe"
probes = [{probes}]
form = "polynomial"
coefficients = {{c0 = 1.2, c1 = 4.0, c2 = 0.8}}
valid = [0.0, 1.2]
standard_error = 0.02
origin = "invented"

[[law]]
id = "a"
version = 1
kind = "soil"
form = "linear_root_permittivity"
coefficients = {{slope = 0.1138, offset = -0.1758}}
valid = [1.0, 9.0]
standard_error = 0.02
origin = "Ledieu et al. 1986"

[[law]]
id = "b"
version = 1
kind = "soil"
form = "topp_1980"
valid = [1.8, 6.3]
standard_error = 0.013
origin = "Topp, Davis & Annan 1980"
"""


def describe_field(folder: Path, tubes: int) -> Path:
    """Write the description of a field of ``tubes`` tubes; return its folder."""
    loggers = -(-tubes // TUBES_A_LOGGER)
    (folder / "layouts").mkdir(parents=True)
    (folder / "raw").mkdir()
    sources = "".join(SOURCE.format(n=n) for n in range(loggers))
    (folder / "site.toml").write_text(SITE + sources)
    (folder / "layouts" / "export.toml").write_text(LAYOUT)
    (folder / "soils.toml").write_text(SOILS)
    probes = ", ".join(f'"P{t}"' for t in range(tubes))
    (folder / "calibrations.toml").write_text(LAWS.format(probes=probes))
    rows = [
        "tube,latitude,longitude,elevation_m,installed,removed,set_in_cm,soil,group,note",
        *(f"T{t},{48 + t / 1e4},{9 + t / 1e4},400,2023-01-01,,0,loam,," for t in range(tubes)),
    ]
    (folder / "tubes.csv").write_text("\n".join(rows) + "\n")
    rows = ["source,channel,tube,depth_cm,quantity,unit,probe,from,until"]
    rows += [
        f"L{t // TUBES_A_LOGGER},T{t}_{d},T{t},{d},voltage,mV,P{t},2023-01-01,"
        for t in range(tubes)
        for d in DEPTHS_CM
    ]
    (folder / "wiring.csv").write_text("\n".join(rows) + "\n")
    return folder


def write_days(folder: Path, tubes: int, first_day: int, days: int) -> None:
    """Write one export a logger that holds ``days`` days of readings from ``first_day`` on."""
    steps = days * STEPS_A_DAY
    begin = START_S + first_day * 86_400
    times = begin + np.arange(steps) * INTERVAL_S
    stamp = pa.array(times.astype("datetime64[s]")).cast(pa.string())
    signals = signals_mv(first_day, days)
    for logger in range(-(-tubes // TUBES_A_LOGGER)):
        random = np.random.default_rng((logger, first_day))
        columns = {"time": stamp}
        for tube in range(logger * TUBES_A_LOGGER, min((logger + 1) * TUBES_A_LOGGER, tubes)):
            share = 0.85 + 0.3 * np.random.default_rng(tube).random()  # of soil and place
            for depth, signal in zip(DEPTHS_CM, signals, strict=True):
                values = DRY_MV + share * signal + random.normal(0, 1.0, steps)
                columns[f"T{tube}_{depth}"] = pa.array(np.round(values, 1))
        target = folder / "raw" / f"L{logger}"
        target.mkdir(exist_ok=True)
        options = pa.csv.WriteOptions(quoting_style="none")
        pa.csv.write_csv(
            pa.table(columns), target / f"{first_day:05d}.csv", write_options=options
        )


def signals_mv(first_day: int, days: int) -> np.ndarray:
    """Return what water adds to the signals of a tube, (depth, step), [mV].

    Storms fill the soil around the first sensor; what drains from one sensor fills the next,
    and roots drink by day. Each is a linear store: the course of true soil is another
    (`truth_field`), but fronts, recessions and days like these cost a night what true ones do.
    """
    lead = min(first_day, LEAD_DAYS)  # what fell before is forgotten
    start, steps = (first_day - lead) * STEPS_A_DAY, (lead + days) * STEPS_A_DAY
    into = _storms_mv(start, steps)
    hour = (start + np.arange(steps)) % STEPS_A_DAY / STEPS_A_DAY * 24
    sun = np.maximum(np.sin((hour - 6) / 12 * np.pi), 0.0) * np.pi / STEPS_A_DAY
    found = []
    for drained_days, drunk in zip(DRAINED_DAYS, DRUNK_MV_D, strict=True):
        keeps = np.exp(-1.0 / (drained_days * STEPS_A_DAY))
        held = lfilter([1.0], [1.0, -keeps], into - drunk * sun)
        found.append(held)
        into = (1.0 - keeps) * np.maximum(held, 0.0)
    return np.array(found)[:, lead * STEPS_A_DAY :]


def _storms_mv(start: int, steps: int) -> np.ndarray:
    """Return what storms add to the first sensor's signal in each step, [mV]."""
    random = np.random.default_rng(20)
    count = MOST_YEARS * 365 // STORM_EVERY_DAYS
    onset = np.cumsum(random.exponential(STORM_EVERY_DAYS * STEPS_A_DAY, count)).astype(int)
    amount = random.gamma(1.5, 60.0, count)
    into = np.zeros(steps)
    for first, much in zip(onset - start, amount, strict=True):
        inside = np.arange(max(first, 0), min(first + STORM_STEPS, steps))
        into[inside] += much / STORM_STEPS
    return into
