"""Tubes of the test field: which faults each is given, and what its sensors then log."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from truth_faults import (
    CONTACT_NOISE,
    DRIFT,
    LASTING,
    PASSING,
    SUPPLY,
    SUPPLY_NOISE,
    Label,
    affected_depths,
    body_beside,
    drift_course,
    place_passing,
    spoil,
    true_depths_cm,
)
from truth_ground import Patch
from truth_sensors import feel, read_out, true_laws, unfrozen_share, with_body
from truth_site import DEPTHS_M, Instruments
from truth_weather import Weather, draws

Array = NDArray[np.float64]
PATCHES = 3  # columns of soil that the tubes of one soil are shared out to
WORN_TUBES = 2  # tubes a soil that share the passing faults
DRIFT_ROOT = (0.25, 0.6)  # how far a drift runs off, in root permittivity
DAY_S = 86_400


@dataclass(frozen=True)
class Tube:
    """A tube: the patch of its soil it stands in, and its role ("sound", "worn" or a kind)."""

    name: str
    soil: str
    patch: int
    role: str


@dataclass(frozen=True)
class Plan:
    """What holds for the whole field."""

    seed: int
    interval_s: int
    steps: int
    instruments: Instruments
    kinds: tuple[str, ...]

    @cached_property
    def low_supply(self) -> tuple[int, int] | None:
        """Return the steps in which the supply is low, None if never."""
        if SUPPLY not in self.kinds:
            return None
        first = int(draws(self.seed, "supply").uniform(0.3, 0.9) * self.steps)
        return first, min(first + 2 * DAY_S // self.interval_s, self.steps)


@dataclass(frozen=True)
class Ground:
    """A patch and its weather, at the field's steps."""

    patch: Patch
    weather: Weather
    every: int  # steps of the patch in one of the field

    @cached_property
    def rain(self) -> Array:
        """Return the rain of each step of the field [mm]."""
        return self.weather.rain.reshape(-1, self.every).sum(axis=1)

    @cached_property
    def temperature(self) -> Array:
        """Return soil temperature at the stated depths, (steps, depth) [degC]."""
        return self.temperature_at(100.0 * np.array(DEPTHS_M))

    def temperature_at(self, depth_cm: Array) -> Array:
        """Return soil temperature at some depths, (steps, depth) [degC]."""
        known = [self._temperature(round(float(depth), 3)) for depth in depth_cm]
        return np.stack(known, axis=1)

    def _temperature(self, depth_cm: float) -> Array:
        if depth_cm not in self._temperatures:
            series = self.weather.soil_temperature(depth_cm / 100)
            self._temperatures[depth_cm] = series[self.every - 1 :: self.every]
        return self._temperatures[depth_cm]

    @cached_property
    def _temperatures(self) -> dict[float, Array]:
        return {}

    def beside(self, role: str) -> Array | float:
        """Return the root permittivity of what lies beside the sensors of a tube."""
        body = body_beside(role, self.weather.rain)
        return body[self.every - 1 :: self.every] if isinstance(body, np.ndarray) else body

    @cached_property
    def content(self) -> Array:
        """Return the content of the cells at the end of each step of the field."""
        return self.patch.content[self.every :: self.every]


@dataclass(frozen=True)
class Logged:
    """What a tube logged (steps, depth), its faults, and where its sensors really are.

    A sensor feels water, frost and warmth where it really is.
    """

    permittivity: Array
    temperature: Array
    labels: list[Label]
    real_cm: Array


def plan_tubes(
    seed: int, soils: tuple[str, ...], kinds: tuple[str, ...], sound: int
) -> list[Tube]:
    """Return the tubes of a field, soil by soil, patches dealt out at random."""
    roles = ["sound"] * sound
    roles += ["worn"] * (WORN_TUBES if set(kinds) & set(PASSING) else 0)
    roles += [kind for kind in (*LASTING, DRIFT) if kind in kinds]
    tubes = []
    for soil in soils:
        order = draws(seed, f"patches {soil}").permutation(len(roles)) % PATCHES
        tubes += [
            Tube(f"{soil}-{number + 1:02d}", soil, int(order[number]), role)
            for number, role in enumerate(roles)
        ]
    return tubes


def log_tube(plan: Plan, tube: Tube, ground: Ground) -> Logged:
    """Return what the sensors of a tube log, with all its faults."""
    random = draws(plan.seed, f"drift {tube.name}")
    real_cm, shares = faults_of_tube(plan, tube)
    body = ground.beside(tube.role)
    temperature = ground.temperature_at(real_cm)
    drifting = int(random.integers(len(DEPTHS_M))) if tube.role == DRIFT else -1
    labels, columns = [], []
    for sensor in range(len(DEPTHS_M)):
        root = _root(plan, tube, ground, sensor, real_cm, temperature[:, sensor])
        if sensor in shares:
            root = with_body(root, shares[sensor], body)
        if sensor == drifting:
            label = _drift(plan, tube, sensor, random)
            labels.append(label)
            root = root + drift_course(plan.steps, label.first, label.stop, label.size)
        columns.append(_read(plan, tube, sensor, root))
    labels += _lasting_labels(plan, tube, shares, real_cm)
    for sensor, kind in _passing_kinds(plan, tube):
        labels += _spoil_sensor(plan, tube, sensor, kind, columns[sensor])
    labels += _supply_labels(plan, tube)
    return Logged(np.stack(columns, axis=1), temperature, labels, real_cm)


def faults_of_tube(plan: Plan, tube: Tube) -> tuple[Array, dict[int, float]]:
    """Return where a tube's sensors really are [cm], and the share beside each of them."""
    random = draws(plan.seed, f"tube {tube.name}")
    real_cm = true_depths_cm(tube.role, random)
    real_cm = real_cm + plan.instruments.depth_error_cm * random.standard_normal()
    return real_cm, affected_depths(tube.role, random)


def _root(
    plan: Plan, tube: Tube, ground: Ground, sensor: int, real_cm: Array, temperature: Array
) -> Array:
    """Return the root permittivity of the soil around one sensor."""
    on = plan.instruments.calibration_error
    laws = true_laws(plan.seed, tube.name, tube.soil, len(DEPTHS_M), on)
    liquid = unfrozen_share(temperature)
    return feel(ground.content, tube.soil, float(real_cm[sensor]), laws, sensor, liquid)


def _read(plan: Plan, tube: Tube, sensor: int, root: Array) -> Array:
    """Return logged permittivity with the noise of the sensor."""
    random = draws(plan.seed, f"noise {tube.name} {sensor} {plan.interval_s}")
    normal = random.standard_normal(plan.steps)
    if tube.role == "poor_contact":
        normal = normal + CONTACT_NOISE * random.standard_normal(plan.steps)
    if plan.low_supply is not None:
        first, stop = plan.low_supply
        normal[first:stop] += SUPPLY_NOISE * random.standard_normal(stop - first)
    return read_out(root, plan.instruments.noise, plan.instruments.resolution, normal)


def _drift(plan: Plan, tube: Tube, sensor: int, random: np.random.Generator) -> Label:
    first = int(random.uniform(0.1, 0.4) * plan.steps)
    stop = int(random.uniform(0.75, 0.95) * plan.steps)
    size = float(random.uniform(*DRIFT_ROOT) * random.choice([-1.0, 1.0]))
    return Label(DRIFT, tube.name, DEPTHS_M[sensor], first, stop, size)


def _lasting_labels(
    plan: Plan, tube: Tube, shares: dict[int, float], real_cm: Array
) -> list[Label]:
    """Return the labels of a fault of the whole tube: the sensors it reaches, all the time."""
    if tube.role not in LASTING:
        return []
    away = np.abs(real_cm - 100.0 * np.array(DEPTHS_M))
    reached = shares or {int(i): float(away[i]) for i in np.flatnonzero(away > 5.0)}
    return [
        Label(tube.role, tube.name, DEPTHS_M[i], 0, plan.steps, size)
        for i, size in reached.items()
    ]


def _passing_kinds(plan: Plan, tube: Tube) -> Iterator[tuple[int, str]]:
    """Yield which sensor of a worn tube has which kind of passing fault."""
    kinds = [kind for kind in PASSING if kind in plan.kinds]
    if tube.role == "worn" and kinds:
        order = draws(plan.seed, f"worn {tube.name}").permutation(len(DEPTHS_M))
        for sensor in range(len(DEPTHS_M)):
            yield int(order[sensor]), kinds[sensor % len(kinds)]


def _spoil_sensor(
    plan: Plan, tube: Tube, sensor: int, kind: str, reading: Array
) -> Iterator[Label]:
    """Put the faults of one kind into a sensor's readings; yield their labels."""
    random = draws(plan.seed, f"{kind} {tube.name} {sensor}")
    for span in place_passing(kind, random, plan.steps, plan.interval_s):
        spoil(reading, kind, span, plan.instruments.noise, random)
        yield Label(kind, tube.name, DEPTHS_M[sensor], *span)


def _supply_labels(plan: Plan, tube: Tube) -> list[Label]:
    if plan.low_supply is None:
        return []
    return [Label(SUPPLY, tube.name, depth, *plan.low_supply) for depth in DEPTHS_M]
