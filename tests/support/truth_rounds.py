"""Hand rounds of the test field: a check probe, turned to three directions in every tube."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
from truth_sensors import feel, read_out, true_laws, unfrozen_share, with_body
from truth_site import DEPTHS_M, START
from truth_tubes import Ground, Plan, Tube, faults_of_tube
from truth_weather import draws

DIRECTIONS_DEG = (0.0, 120.0, 240.0)
FAULTY_DIRECTION_DEG = 120.0  # the one that faces a void or a stone, as the logged sensor does
ONE_SIDED = ("void", "stone")
READER_NOISE, READER_RESOLUTION = 0.10, 0.1  # permittivity
ROUNDS_EVERY_DAYS = 30
DAY_S, HOUR_S = 86_400, 3600


def round_steps(plan: Plan) -> np.ndarray:
    """Return the steps at which rounds are walked: at noon, every thirty days."""
    day = DAY_S // plan.interval_s
    return np.arange(ROUNDS_EVERY_DAYS * day + day // 2, plan.steps, ROUNDS_EVERY_DAYS * day)


def hand_rounds(
    plan: Plan, tubes: list[Tube], grounds: dict[tuple[str, int], Ground]
) -> pd.DataFrame:
    """Return the readings of all rounds, as `pipeline.derive.rounds.hand_readings` takes them.

    The probe is let down to the stated depths: it knows nothing of swapped channels, but
    stands as wrong as the tube does. A gap and poor contact go all around a tube, a void or
    a stone lies on one side.
    """
    parts = [_tube_rounds(plan, tube, grounds[tube.soil, tube.patch]) for tube in tubes]
    rows = pd.concat(parts, ignore_index=True)
    fixed = {"source": "hand", "reader": "HP", "quantity": "permittivity", "file": "hand.csv"}
    return rows.assign(**fixed, line=np.arange(2, len(rows) + 2))


def _tube_rounds(plan: Plan, tube: Tube, ground: Ground) -> pd.DataFrame:
    real_cm, shares = faults_of_tube(plan, tube)
    depths_cm = 100.0 * np.array(DEPTHS_M) if tube.role == "swapped" else real_cm
    steps = round_steps(plan)
    laws = true_laws(
        plan.seed, tube.name, tube.soil, len(DEPTHS_M), plan.instruments.calibration_error
    )
    body = np.broadcast_to(ground.beside(tube.role), (plan.steps,))[steps]
    temperature = ground.temperature_at(depths_cm)[steps]
    random = draws(plan.seed, f"rounds {tube.name}")
    values = []
    for sensor in range(len(DEPTHS_M)):
        liquid = unfrozen_share(temperature[:, sensor])
        soil = feel(
            ground.content[steps], tube.soil, float(depths_cm[sensor]), laws, sensor, liquid
        )
        for direction in DIRECTIONS_DEG:
            reached = tube.role not in ONE_SIDED or direction == FAULTY_DIRECTION_DEG
            root = with_body(soil, shares.get(sensor, 0.0) if reached else 0.0, body)
            normal = random.standard_normal(steps.size)
            values.append(read_out(root, READER_NOISE, READER_RESOLUTION, normal))
    cells = list(product(DEPTHS_M, DIRECTIONS_DEG))
    depth_m, direction_deg = np.repeat(np.array(cells), steps.size, axis=0).T
    return pd.DataFrame(
        {
            "time_s": np.tile(at_s(plan, steps), len(cells)),
            "tube": tube.name,
            "depth_m": depth_m,
            "direction_deg": direction_deg,
            "value": np.concatenate(values),
        }
    )


def at_s(plan: Plan, steps: np.ndarray) -> np.ndarray:
    """Return the UTC seconds at which steps end, and readings are taken."""
    return int(START.timestamp()) + (steps + 1) * plan.interval_s
