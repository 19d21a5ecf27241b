"""A test field with known truth: soil water by Richards' equation, sensors in it, and faults.

`make_field` returns readings as the pipeline's blocks hold them, the site that describes them,
all that is true, and a label for every fault. Seeds are of disjoint sets: what is tuned is
tuned on the first, what is reported is measured on the second and on nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cached_property

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from truth_events import find_events
from truth_faults import DRIFT, EVERY_KIND, FROZEN, Label, supply_course
from truth_ground import PROFILES, Patch, make_patch
from truth_rounds import hand_rounds
from truth_sensors import bell, cell_at, unfrozen_share
from truth_site import DEPTHS_M, LAYERS, START, Instruments, make_site
from truth_tubes import Ground, Plan, Tube, log_tube, plan_tubes
from truth_weather import STEP_S, Weather, draws, make_weather

from pipeline.site.models import Site, Visit
from pipeline.variables import describe

TUNING_SEEDS = tuple(range(100, 120))
# Looked at while the pipeline was made; the tests of the suite use them.
LOOKED_AT_SEEDS = tuple(range(900, 910))
UNSEEN_SEEDS = tuple(range(986, 1002))  # 910 to 985 stand in docs/truth.md
SOILS = tuple(PROFILES)
DEPTHS_CM = tuple(100 * depth for depth in DEPTHS_M)
DIMS = ("time", "tube", "depth")
REFERENCE_ERROR = 0.008  # m3 m-3, of a reading with the check probe
REFERENCE_EVERY_DAYS = 30
DAY_S = 86_400


@dataclass(frozen=True)
class Field:
    """A field: what was logged, how it is described, and what is true.

    ``readings`` (time, tube, depth): ``permittivity`` and, where logged, ``soil_temperature``.
    ``station`` (time, station): ``supply_voltage`` and, where logged, ``rain``.

    ``truth``, at stated depths: ``water_content`` (mean over the sensor's window),
    ``point_water_content``, ``soil_temperature``, ``unfrozen_share``, ``drainage`` past each
    depth and ``uptake`` above it [mm a step], all (time, tube, depth); ``storage`` (time,
    tube, layer) [mm]; ``rain``, ``infiltration``, ``evaporation``, ``run_off`` (time, tube)
    [mm a step]; ``real_depth`` (tube, depth) [m], where sensors truly are.

    ``labels`` are the faults.
    ``rounds`` are monthly readings with a check probe, in three directions of every tube.
    ``roles`` tells for each tube the lasting fault it was given, or "sound".
    """

    site: Site
    readings: xr.Dataset
    station: xr.Dataset
    truth: xr.Dataset
    labels: tuple[Label, ...]
    rounds: pd.DataFrame
    roles: dict[str, str]

    @cached_property
    def events(self) -> pd.DataFrame:
        """Return a row for each storm, tube and depth that it wetted (see `find_events`)."""
        return find_events(self.truth)

    def label_mask(self, *kinds: str) -> NDArray[np.bool_]:
        """Return (time, tube, depth), True inside the faults of some kinds; of all if none."""
        mask = np.zeros([self.readings.sizes[dim] for dim in DIMS], dtype=np.bool_)
        tubes = list(self.roles)
        for label in self.labels:
            if not kinds or label.kind in kinds:
                cell = (tubes.index(label.tube), DEPTHS_M.index(label.depth_m))
                mask[label.first : label.stop, *cell] = True
        if (not kinds or FROZEN in kinds) and self.roles:
            mask |= frozen_cells(self.truth)
        return mask


def frozen_cells(truth: xr.Dataset) -> NDArray[np.bool_]:
    """Return the cells where a tenth of the water is ice, or more."""
    return truth["unfrozen_share"].transpose(*DIMS).values < 0.9


def make_field(
    seed: int,
    soils: Iterable[str] = SOILS,
    interval_s: int = STEP_S,
    days: int = 365,
    instruments: Instruments = Instruments(),  # noqa: B008 (frozen)
    faults: Iterable[str] = EVERY_KIND,
    sound_tubes: int = 2,
) -> Field:
    """Return a field.

    Parameters
    ----------
    seed : int
        One of `TUNING_SEEDS` or `UNSEEN_SEEDS`, by purpose.
    soils : iterable of keys of `PROFILES`
    interval_s : int
        A multiple of ten minutes that divides a day.
    instruments : Instruments
        What sensors are like, and whether rain and soil temperature are logged.
    faults : iterable of kinds
        Any of `truth_faults.EVERY_KIND`. Kinds of passing faults share two tubes a soil, each
        lasting kind has a tube of its own, drift a sensor of one more. ``frozen`` makes the
        winter cold. A low supply is felt by every sensor.
    sound_tubes : int
        Tubes a soil without a fault of their own.
    """
    kinds = tuple(faults)
    unknown = set(kinds) - set(EVERY_KIND)
    if unknown or interval_s % STEP_S or DAY_S % interval_s:
        raise ValueError(f"expected kinds of {EVERY_KIND} and steps of {STEP_S} s")
    weather = make_weather(seed, days, FROZEN in kinds)
    tubes = plan_tubes(seed, tuple(soils), kinds, sound_tubes)
    plan = Plan(seed, interval_s, days * DAY_S // interval_s, instruments, kinds)
    grounds = _grounds(plan, tubes, weather, days)
    site = make_site({t.name: t.soil for t in tubes}, interval_s, instruments)
    logged = [log_tube(plan, tube, grounds[tube.soil, tube.patch]) for tube in tubes]
    truth = _truth(site, plan, tubes, grounds)
    truth["real_depth"] = (("tube", "depth"), np.array([x.real_cm for x in logged]) / 100)
    readings = _block(site, plan, permittivity=np.stack([x.permittivity for x in logged], 1))
    readings["permittivity"] = describe(readings["permittivity"], "permittivity")
    if instruments.temperature_logged:
        warmth = _block(site, plan, of=np.stack([x.temperature for x in logged], 1))
        readings["soil_temperature"] = describe(warmth["of"], "soil_temperature")
    labels = tuple(label for x in logged for label in x.labels)
    return Field(
        site=replace_visits(site, _references(plan, tubes, truth, labels)),
        readings=readings,
        station=_station(site, plan, grounds),
        truth=truth,
        labels=labels,
        rounds=hand_rounds(plan, tubes, grounds),
        roles={t.name: t.role for t in tubes},
    )


def replace_visits(site: Site, visits: tuple[Visit, ...]) -> Site:
    """Return the site with its visits."""
    return site.model_copy(update={"visits": visits})


def _grounds(
    plan: Plan, tubes: list[Tube], weather: Weather, days: int
) -> dict[tuple[str, int], Ground]:
    """Return the ground of each patch in use, at the steps of the field."""
    made = {}
    for tube in tubes:
        key = (tube.soil, tube.patch)
        if key not in made:
            patch = make_patch(plan.seed, *key, days)
            made[key] = Ground(patch, weather, plan.interval_s // STEP_S)
    return made


def _truth(
    site: Site, plan: Plan, tubes: list[Tube], grounds: dict[tuple[str, int], Ground]
) -> xr.Dataset:
    by_key = {key: _truth_of_patch(ground) for key, ground in grounds.items()}
    one = [by_key[tube.soil, tube.patch] for tube in tubes]
    stacked = {
        name: np.stack([values[name] for values in one], axis=1).astype(np.float32)
        for name in one[0]
    }
    shapes = {"storage": ("time", "tube", "layer")}
    shapes |= dict.fromkeys(("rain", "infiltration", "evaporation", "run_off"), DIMS[:2])
    coords = {**_coords(site, plan), "layer": [layer.name for layer in LAYERS]}
    return xr.Dataset(
        {name: (shapes.get(name, DIMS), values) for name, values in stacked.items()}, coords
    )


def _truth_of_patch(ground: Ground) -> dict[str, NDArray[np.float64]]:
    """Return everything true of a patch by name: (time,), (time, depth) or (time, layer)."""
    patch, every = ground.patch, ground.every
    content = patch.content[every::every]

    def amounts(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return values.reshape(-1, every).sum(axis=1)

    def at_depths(of: object) -> NDArray[np.float64]:
        return np.stack([amounts(of(patch, depth)) for depth in DEPTHS_CM], axis=1)

    return {
        "water_content": content @ np.stack([bell(depth) for depth in DEPTHS_CM], axis=1),
        "point_water_content": content[:, [cell_at(depth) for depth in DEPTHS_CM]],
        "soil_temperature": ground.temperature,
        "unfrozen_share": unfrozen_share(ground.temperature),
        "drainage": at_depths(Patch.drainage_past_mm),
        "uptake": at_depths(Patch.uptake_above_mm),
        "storage": np.stack(
            [patch.storage_mm(100 * layer.bottom_m)[every::every] for layer in LAYERS], axis=1
        ),
        "rain": ground.rain,
        "infiltration": amounts(patch.infiltration),
        "evaporation": amounts(patch.evaporation),
        "run_off": amounts(patch.run_off),
    }


def _coords(site: Site, plan: Plan) -> dict[str, object]:
    # A step's value is what was read at its end: the first is one interval after the start.
    times = site.axis.times(1, plan.steps + 1)
    return {"time": times, "tube": [t.tube for t in site.tubes], "depth": list(DEPTHS_M)}


def _block(site: Site, plan: Plan, **arrays: NDArray) -> xr.Dataset:
    return xr.Dataset(
        {name: (DIMS, values.astype(np.float32)) for name, values in arrays.items()},
        _coords(site, plan),
    )


def _station(site: Site, plan: Plan, grounds: dict[tuple[str, int], Ground]) -> xr.Dataset:
    """Return what the station logs: rain in whole tips of 0.2 mm, and supply voltage."""
    series = {"supply_voltage": supply_course(plan.steps, plan.interval_s, plan.low_supply)}
    if plan.instruments.rain_logged:
        tips = np.floor(np.cumsum(next(iter(grounds.values())).rain) / 0.2 + 1e-9)
        series["rain"] = 0.2 * np.diff(np.concatenate([[0.0], tips]))
    coords = {"time": _coords(site, plan)["time"], "station": ["logger"]}
    dims = ("time", "station")
    return xr.Dataset(
        {
            name: describe(
                xr.DataArray(values[:, None].astype(np.float32), coords, dims), name
            )
            for name, values in series.items()
        }
    )


def _references(
    plan: Plan, tubes: list[Tube], truth: xr.Dataset, labels: tuple[Label, ...]
) -> tuple[Visit, ...]:
    """Return monthly readings with the check probe on tubes with drift, and the cleanings."""
    steps_a_day = DAY_S // plan.interval_s
    at = np.arange(REFERENCE_EVERY_DAYS * steps_a_day, plan.steps, 30 * steps_a_day)
    at = at + steps_a_day // 2
    visits = []
    for tube in (t for t in tubes if t.role == DRIFT):
        random = draws(plan.seed, f"references {tube.name}")
        water = truth["water_content"].sel(tube=tube.name).values
        for step in at[at < plan.steps]:
            for number, depth in enumerate(DEPTHS_M):
                value = water[step, number] + REFERENCE_ERROR * random.standard_normal()
                visits.append((step, tube.name, "reference", depth, round(float(value), 4)))
    visits += [
        (x.stop, x.tube, "cleaning", x.depth_m, None) for x in labels if x.kind == DRIFT
    ]
    visits.sort(key=lambda visit: visit[:4])
    return tuple(
        Visit(
            row=row,
            time=START + timedelta(seconds=int(step + 1) * plan.interval_s),
            tube=tube,
            action=action,
            depth_m=depth,
            value=value,
            unit="m3 m-3" if value is not None else "",
        )
        for row, (step, tube, action, depth, value) in enumerate(visits, start=2)
    )


def without_rain(field: Field) -> Field:
    """Return the same field at a site that does not log rain."""
    wiring = tuple(wire for wire in field.site.wiring if wire.quantity != "rain")
    return replace(
        field,
        site=field.site.model_copy(update={"wiring": wiring}),
        station=field.station.drop_vars("rain", errors="ignore"),
    )


def without_soil_temperature(field: Field) -> Field:
    """Return the same field at a site that does not log soil temperature."""
    wiring = tuple(wire for wire in field.site.wiring if wire.quantity != "soil_temperature")
    return replace(
        field,
        site=field.site.model_copy(update={"wiring": wiring}),
        readings=field.readings.drop_vars("soil_temperature", errors="ignore"),
    )
