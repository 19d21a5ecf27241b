"""The description of the test field: tubes, laws and wiring, made in memory."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from truth_ground import PROFILES, TEXTURES, Layer

from pipeline.site.instruments import Uncertainty
from pipeline.site.models import (
    Clock,
    Contact,
    Derive,
    Horizon,
    Law,
    Site,
    Soil,
    Source,
    Tube,
    Visit,
    Wire,
)
from pipeline.site.models import Layer as StorageLayer

START = datetime(2024, 10, 1, tzinfo=UTC)
DEPTHS_M = (0.1, 0.2, 0.3, 0.4, 0.6, 1.0)
LAYERS = (
    StorageLayer(name="root-zone", top_m=0.0, bottom_m=0.3),
    StorageLayer(name="profile", top_m=0.0, bottom_m=1.0),
)
PARTICLE_DENSITY = 2.65  # g cm-3, quartz
ROOT_RANGE = (1.0, 9.0)  # in which the laws hold

# How sure a law is: of slope and offset, as a fit to two dozen samples leaves them, and of the
# single sensor beside the fit. About 0.008 m3 m-3 together in the middle of the range.
SLOPE_ERROR, OFFSET_ERROR, CORRELATION = 0.0020, 0.0080, -0.95
LAW_ERROR = 0.006  # m3 m-3


@dataclass(frozen=True)
class Instruments:
    """What the sensors are like, in permittivity, and what else the logger logs.

    ``depth_error_cm`` is how far tubes stand from their stated depth, as a standard deviation,
    which the site states;
    ``calibration_error`` tells whether the soil differs from its stated law.
    """

    noise: float = 0.04
    resolution: float = 0.01
    depth_error_cm: float = 0.0
    calibration_error: bool = True
    rain_logged: bool = True
    temperature_logged: bool = True


def covariance() -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the covariance of slope and offset that every law states."""
    both = CORRELATION * SLOPE_ERROR * OFFSET_ERROR
    return (SLOPE_ERROR**2, both), (both, OFFSET_ERROR**2)


def _law_id(soil: str, number: int) -> str:
    return f"{soil}-{number + 1}"


def _horizon(soil: str, number: int, top_cm: float, layer: Layer) -> Horizon:
    saturated = TEXTURES[layer.texture][1]
    return Horizon(
        name=f"H{number + 1}",
        top_m=top_cm / 100,
        bottom_m=layer.bottom_cm / 100,
        calibration=_law_id(soil, number),
        texture=layer.texture,
        bulk_density=round((1 - saturated) * PARTICLE_DENSITY, 3),
        saturation=saturated,
    )


def _soil(soil: str) -> Soil:
    layers = PROFILES[soil]
    tops = [0.0, *(layer.bottom_cm for layer in layers[:-1])]
    pairs = enumerate(zip(tops, layers, strict=True))
    return Soil(id=soil, horizons=tuple(_horizon(soil, i, top, x) for i, (top, x) in pairs))


def _laws(soil: str) -> list[Law]:
    return [
        Law(
            id=_law_id(soil, number),
            version=1,
            kind="soil",
            form="linear_root_permittivity",
            coefficients={"slope": layer.slope, "offset": layer.offset},
            valid_from=ROOT_RANGE[0],
            valid_to=ROOT_RANGE[1],
            covariance=covariance(),
            standard_error=LAW_ERROR,
            origin="invented for the test field",
        )
        for number, layer in enumerate(PROFILES[soil])
    ]


def _wires(tubes: list[str], instruments: Instruments) -> list[Wire]:
    """Return what the one logger logs, supply voltage always."""
    quantities = [("permittivity", "1")]
    if instruments.temperature_logged:
        quantities.append(("soil_temperature", "degC"))
    stations = [("supply_voltage", "V")]
    if instruments.rain_logged:
        stations.append(("rain", "mm"))
    cells = [(tube, depth, *q) for tube in tubes for depth in DEPTHS_M for q in quantities]
    cells += [("", None, *q) for q in stations]
    return [
        Wire(
            row=row,
            source="logger",
            channel=f"C{row}",
            tube=tube,
            depth_m=depth,
            quantity=quantity,
            unit=unit,
            probe=f"P-{tube}" if tube else "",
        )
        for row, (tube, depth, quantity, unit) in enumerate(cells, start=2)
    ]


def make_site(
    tubes: dict[str, str],
    interval_s: int,
    instruments: Instruments,
    visits: tuple[Visit, ...] = (),
    **changes: Any,
) -> Site:
    """Return the site of a field; ``tubes`` names the soil of each."""
    soils = list(dict.fromkeys(tubes.values()))
    contact = Contact(name="Nobody")
    clock = Clock(utc_offset="+00:00")
    fields: dict[str, Any] = {
        **dict.fromkeys(("folder", "data", "output"), Path()),
        "store": "store",
        "id": "truth",
        "title": "A field whose water is known",
        "summary": "Invented; see docs/truth.md.",
        "institution": "None",
        "creator": contact,
        "publisher": contact,
        "start": START,
        "utc_offset_s": 0,
        "interval_s": interval_s,
        "sensor_noise": {"permittivity": instruments.noise},
        "sources": (
            Source(id="logger", kind="table", files="*.csv", layout="plain", clock=clock),
        ),
        "layouts": {},
        "tubes": tuple(_tube(name, soil, n) for n, (name, soil) in enumerate(tubes.items())),
        "uncertainty": Uncertainty(depth_m=instruments.depth_error_cm / 100),
        "wiring": tuple(_wires(list(tubes), instruments)),
        "soils": {soil: _soil(soil) for soil in soils},
        "laws": tuple(law for soil in soils for law in _laws(soil)),
        "visits": visits,
        "derive": Derive(layers=LAYERS),
    }
    return Site(**{**fields, **changes})


def _tube(name: str, soil: str, number: int) -> Tube:
    return Tube(
        tube=name,
        latitude=50.0 + 1e-4 * number,
        longitude=10.0,
        elevation_m=200.0,
        installed=START,
        soil=soil,
        group=soil,
    )
