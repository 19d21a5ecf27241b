"""Make the demo site's raw files, its labels of faults and its truth, the same every time.

Run ``python data/make_demo.py`` to make them anew beside this file, or with ``--into FOLDER``
elsewhere. See ``docs/demo.md`` for what the field is.
"""

from __future__ import annotations

import argparse
from datetime import timedelta
from pathlib import Path

import numpy as np
from demo_bus import BusProbe, make_transcript
from demo_column import DRAINAGE, EVAPORATION, RUN_OFF, UPTAKE
from demo_draws import Draws
from demo_exports import HandSensor, LoggedColumn, plot_files, rounds_file
from demo_faults import FAULTS, Fault, spoil_reading, spoil_root, step_of
from demo_field import Ground, make_grounds, stored_mm
from demo_probes import (
    ANALOG_DEPTHS_CM,
    ANALOG_TUBES,
    DIGITAL_DEPTHS_CM,
    DIGITAL_TUBES,
    PERMITTIVITY_NOISE,
    TEMPERATURE_NOISE_K,
    VOID_TUBE,
    VOLTAGE_NOISE_V,
    beside_void,
    daily_mean,
    sense,
    sensor_offset,
    supply_voltage,
    tipped_rain,
    voltage,
)
from demo_weather import DAYS, START, STEPS, Weather, make_weather, soil_temperature
from numpy.typing import NDArray

Array = NDArray[np.float64]

SWAP_TUBE, SWAPPED_AT = "T3", START + timedelta(days=74, hours=10, minutes=15)
PROBES = {"T1": "P-01", "T2": "P-02", "T3": "P-03", "T4": "P-04"}
NEW_PROBE = "P-07"  # in T3 after the swap, of make B
TRUTH_DEPTHS_CM = DIGITAL_DEPTHS_CM


def make_files() -> dict[str, bytes]:
    """Return every file of the demo by its path below the data folder."""
    weather = make_weather()
    grounds = {ground.place.tube: ground for ground in make_grounds(weather)}
    transcript = make_transcript(bus_probes(grounds, weather))
    files = {
        f"raw/bus/bus_{month}.txt": ("\n".join(lines) + "\n").encode("latin-1")
        for month, lines in transcript.lines.items()
    }
    for name, text in plot_files(logger_columns(grounds, weather)).items():
        files[f"raw/plot/{name}"] = text.encode("latin-1")
    files["raw/rounds/rounds_2025.csv"] = rounds_file(hand_sensors(grounds)).encode()
    files["faults.csv"] = faults_file([*FAULTS, *transcript.faults]).encode()
    files["truth.csv"] = truth_file(grounds, weather).encode()
    return files


def logger_columns(grounds: dict[str, Ground], weather: Weather) -> list[LoggedColumn]:
    """Return the analog logger's columns: four probes, rain, air temperature, supply."""
    columns = []
    for tube in ANALOG_TUBES:
        for depth in ANALOG_DEPTHS_CM:
            title, label = f"AI{len(columns) + 1:02d}", f"{tube} {depth:.0f} cm"
            values = spoil_reading(1000 * volts(grounds[tube], depth), tube, depth)
            columns.append(LoggedColumn(title, label, "mV", values, 1))
    air = weather.air + 0.1 * Draws("air noise").normal(STEPS)
    rain, supply = tipped_rain(weather), supply_voltage(weather)
    columns.append(LoggedColumn("NS", "Regen", "mm", rain, 1))
    columns.append(LoggedColumn("TL", "Luft 2 m", "°C", air, 1))
    columns.append(LoggedColumn("UB", "Akku", "V", supply, 2))
    return columns


def volts(ground: Ground, depth_cm: float) -> Array:
    """Return a sensor's output [V], through the swap where the tube had one."""
    tube = ground.place.tube
    root = sense(ground, depth_cm).root
    noise = VOLTAGE_NOISE_V * Draws(f"volts {tube} {depth_cm:g}").normal(STEPS)
    result = voltage(root + sensor_offset(PROBES[tube], depth_cm), "A")
    if tube == SWAP_TUBE:
        after = slice(step_of(SWAPPED_AT), STEPS)
        new = root[after] + sensor_offset(NEW_PROBE, depth_cm)
        result[after] = voltage(new, "B")
    return result + noise


def bus_probes(grounds: dict[str, Ground], weather: Weather) -> list[BusProbe]:
    """Return the probes of the bus with all they would answer."""
    return [
        BusProbe(
            str(number),
            tube,
            np.stack([permittivity(grounds[tube], z, weather) for z in DIGITAL_DEPTHS_CM]),
            np.stack([temperature(tube, z, weather) for z in DIGITAL_DEPTHS_CM]),
        )
        for number, tube in enumerate(DIGITAL_TUBES, start=1)
    ]


def permittivity(ground: Ground, depth_cm: float, weather: Weather) -> Array:
    """Return the permittivity a digital sensor reports, with its faults."""
    tube = ground.place.tube
    root = sense(ground, depth_cm).root + sensor_offset(f"D-{tube}", depth_cm)
    if tube == VOID_TUBE:
        root = beside_void(root, weather.rain, depth_cm)
    noise = PERMITTIVITY_NOISE * Draws(f"permittivity {tube} {depth_cm:g}").normal(STEPS)
    return spoil_reading(spoil_root(root, tube, depth_cm) ** 2 + noise, tube, depth_cm)


def temperature(tube: str, depth_cm: float, weather: Weather) -> Array:
    """Return the soil temperature a digital sensor reports [degC]."""
    noise = TEMPERATURE_NOISE_K * Draws(f"temperature {tube} {depth_cm:g}").normal(STEPS)
    return soil_temperature(weather, depth_cm / 100) + noise


def hand_sensors(grounds: dict[str, Ground]) -> list[HandSensor]:
    """Return what the hand probe would find, tube by tube down the slope."""
    return [
        HandSensor(tube, depth, sense(ground, depth).root)
        for tube, ground in grounds.items()
        for depth in (ANALOG_DEPTHS_CM if tube in ANALOG_TUBES else DIGITAL_DEPTHS_CM)
    ]


def faults_file(faults: list[Fault]) -> str:
    """Return the labels, in order of time."""
    lines = ["kind,source,tube,depth_cm,from,until,what"]
    for fault in sorted(faults, key=lambda f: (f.start, f.source, f.tube, f.depth_cm or 0.0)):
        depth = "" if fault.depth_cm is None else f"{fault.depth_cm:.0f}"
        span = f"{fault.start:%Y-%m-%dT%H:%M}+01:00,{fault.until:%Y-%m-%dT%H:%M}+01:00"
        what = f'"{fault.what}"' if "," in fault.what else fault.what
        lines.append(f"{fault.kind},{fault.source},{fault.tube},{depth},{span},{what}")
    return "\n".join(lines) + "\n"


def truth_file(grounds: dict[str, Ground], weather: Weather) -> str:
    """Return what really was, by tube and day: terms of the balance, storage, water content.

    ``theta`` is the mean around the real depth of a sensor at that nominal depth.
    """
    title = ["date", "tube", "rain_mm", "run_on_mm", "run_off_mm", "evaporation_mm"]
    title += ["uptake_mm", "drainage_at_200cm_mm", "storage_0_40cm_mm", "storage_0_100cm_mm"]
    title += [f"theta_{depth:.0f}cm" for depth in TRUTH_DEPTHS_CM]
    lines = [",".join(title)]
    rain = weather.rain.reshape(DAYS, -1).sum(axis=1)
    for tube, ground in grounds.items():
        content = ground.course.content
        columns = [
            rain,
            ground.run_on.reshape(DAYS, -1).sum(axis=1),
            *(ground.daily_mm(term) for term in (RUN_OFF, EVAPORATION, UPTAKE, DRAINAGE)),
            *(daily_mean(stored_mm(content, depth)) for depth in (40.0, 100.0)),
        ]
        thetas = [daily_mean(sense(ground, depth).content) for depth in TRUTH_DEPTHS_CM]
        for day in range(DAYS):
            amounts = [f"{column[day]:.3f}" for column in columns]
            amounts += [f"{theta[day]:.5f}" for theta in thetas]
            date = START + timedelta(days=day)
            lines.append(",".join([f"{date:%Y-%m-%d}", tube, *amounts]))
    return "\n".join(lines).replace("-0.000", "0.000") + "\n"


def main() -> None:
    """Write the demo's files and say how many and how much."""
    parser = argparse.ArgumentParser(description=__doc__)
    here = Path(__file__).parent
    parser.add_argument("--into", type=Path, default=here, help="folder to write to")
    into = parser.parse_args().into
    files = make_files()
    for name, content in files.items():
        path = into / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    size = sum(len(content) for content in files.values())
    print(f"{len(files)} files, {size / 1e6:.2f} MB, into {into}")


if __name__ == "__main__":
    main()
