"""The one table of what is delivered of wetting events: names, units, meaning, and kind.

Names are the same in NetCDF, Parquet and CSV. What holds for all sensors of a tube together
begins with ``profile_``. ``source`` is the column in the store, see
`pipeline.products.event_store`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.deliver.flat import Column
from pipeline.variables import LAYER_STORAGE_NAME, WATER_CONTENT_NAME

NO_SENSOR = 9  # of a flag by depth, where the tube has no sensor
YES_NO = ("no", "yes")
# Bits from the lowest on; new ones come last, so that a delivered bit never changes meaning.
DOUBTS = (
    *("overlap", "gap", "slow_onset", "deep_first", "no_peak", "frost", "suspect"),
    *("no_gain", "beyond_rain", "unclear_drainage", "rain_gap"),
)
# Kinds whose values are a choice of words: their codes from 0 on in NetCDF.
WORDS = {"flag": YES_NO, "origin": ("unknown", "nights", "texture")}
_TABLE_KINDS = {
    **{"time": "datetime", "flag": "integer", "count": "integer"},
    **{"origin": "string", "doubts": "string", "text": "string"},
}


@dataclass(frozen=True)
class EventField:
    """One delivered quantity of events.

    ``kind`` is "number", "time" (UTC seconds, -1 for none), "count" (-1 for none), "flag"
    (true or not), "origin" (one of some words), "doubts" (any of `DOUBTS`) or "text".
    ``about`` names the fields that speak of this one.
    """

    source: str
    name: str
    units: str
    long_name: str
    kind: str = "number"
    standard_name: str = ""
    about: tuple[str, ...] = ()
    content: str = "physicalMeasurement"
    cell_methods: str = ""

    @property
    def column(self) -> Column:
        """Return the field as a column of a table."""
        kind = _TABLE_KINDS.get(self.kind, "number")
        units = "" if kind in ("datetime", "string") else self.units
        return Column(self.name, kind, units, self.long_name, self.standard_name)


def _error(source: str, name: str, units: str, long_name: str) -> EventField:
    return EventField(source, name, units, long_name, content="qualityInformation")


def _time(source: str, name: str, long_name: str) -> EventField:
    return EventField(source, name, "s", long_name, "time", content="auxiliaryInformation")


def _flag(source: str, name: str, long_name: str, kind: str = "flag") -> EventField:
    status = "status_flag"
    return EventField(source, name, "1", long_name, kind, status, (), "qualityInformation")


def _drainage(prefix: str, past: str) -> tuple[EventField, ...]:
    """Return the fields of drainage past a sensor, or past the last one."""
    names = [
        f"{prefix}{name}"
        for name in ("drainage", "drainage_error", "drainage_known", "gradient_drainage")
    ]
    amount, error, known, gradient = names
    gradient_error, origin = f"{gradient}_error", f"{prefix}gradient_from"
    differ = f"{prefix}drainage_disagreement"
    drained = f"water drained past {past} from the peak of storage above it to the end"
    return (
        EventField("drainage_mm", amount, "mm", drained, about=(error, known, differ)),
        _error("drainage_error_mm", error, "mm", f"standard uncertainty of {drained}"),
        _error(
            "drainage_known",
            known,
            "1",
            f"share of the time to the end near nights with a rate of drainage of their own, "
            f"{past}; missing where there is no such night",
        ),
        EventField(
            "gradient_drainage_mm",
            gradient,
            "mm",
            f"{drained}, by conductivity alone",
            about=(gradient_error, origin, differ),
        ),
        _error(
            "gradient_drainage_error_mm",
            gradient_error,
            "mm",
            f"standard uncertainty of {drained}, by conductivity alone",
        ),
        _flag("gradient_from", origin, f"whence the conductivity is, {past}", "origin"),
        _error(
            "disagreement",
            differ,
            "1",
            f"drainage by nights less by conductivity over their joint uncertainty, {past}",
        ),
    )


_GAIN_ERRORS = tuple(
    f"profile_storage_gain_{part}_error" for part in ("random", "systematic", "spacing")
)
_STORED = "water stored between the surface and the last sensor"

EVENTS: tuple[EventField, ...] = (
    EventField("tube", "tube_id", "", "tube identifier", "text", "platform_id"),
    EventField("event", "event_id", "", "name of the event: tube and first onset", "text"),
    EventField("onset_s", "time", "s", "first onset of the event", "time", "time"),
    _time("end_s", "end_time", "end of the event: the next one's onset, or of the record"),
    _flag("open", "still_open", "whether the event may still go on"),
    EventField("first_depth_m", "first_depth", "m", "depth of the sensor reached first"),
    EventField("depth_reached_m", "depth_reached", "m", "depth of the deepest sensor reached"),
    EventField("sensors_wetted", "sensors_wetted", "1", "number of sensors wetted", "count"),
    EventField(
        "before_mm",
        "profile_storage_before",
        "mm",
        f"{_STORED}, before",
        standard_name=LAYER_STORAGE_NAME,
    ),
    EventField(
        "peak_mm",
        "profile_storage_peak",
        "mm",
        f"{_STORED}, at its highest",
        standard_name=LAYER_STORAGE_NAME,
    ),
    _time("peak_s", "profile_storage_peak_time", f"when {_STORED} was highest"),
    EventField(
        "end_mm",
        "profile_storage_end",
        "mm",
        f"{_STORED}, at the end",
        standard_name=LAYER_STORAGE_NAME,
    ),
    EventField(
        "gain_mm", "profile_storage_gain", "mm", f"gain of {_STORED}", about=_GAIN_ERRORS
    ),
    *(
        _error(
            f"gain_{part}_error_mm",
            name,
            "mm",
            f"standard uncertainty of the gain of {_STORED}: {meant}",
        )
        for part, name, meant in zip(
            ("random", "systematic", "spacing"),
            _GAIN_ERRORS,
            ("noise", "calibration", "sensors being apart"),
            strict=True,
        )
    ),
    EventField(
        "rain_mm",
        "rain",
        "mm",
        "rain from the beginning of its spell to the peak of storage, as far as logged",
        standard_name="lwe_thickness_of_precipitation_amount",
    ),
    EventField(
        "rain_after_mm",
        "rain_after_peak",
        "mm",
        "rain after the peak of storage, until the rain of the next event begins",
        standard_name="lwe_thickness_of_precipitation_amount",
    ),
    EventField(
        "remainder_mm",
        "rain_remainder",
        "mm",
        "rain less gain: interception, evaporation, run-off, bypass",
        about=("rain_remainder_error",),
    ),
    _error(
        "remainder_error_mm",
        "rain_remainder_error",
        "mm",
        "standard uncertainty of rain less gain",
    ),
    _error("missing", "missing_share", "1", "share of the event's readings that are missing"),
    *_drainage("profile_", "the last sensor"),
    EventField(
        "doubts",
        "doubts",
        "1",
        "why the event may be wrong",
        "doubts",
        "quality_flag",
        (),
        "qualityInformation",
    ),
)

BY_DEPTH: tuple[EventField, ...] = (
    EventField("tube", "tube_id", "", "tube identifier", "text", "platform_id"),
    EventField("event", "event_id", "", "name of the event: tube and first onset", "text"),
    EventField("depth_m", "depth", "m", "nominal depth of the sensor"),
    EventField(
        "real_depth_m", "sensor_depth", "m", "real depth of the sensor", "number", "depth"
    ),
    _flag("wetted", "wetted", "whether a wetting front was seen at the sensor"),
    _time("onset_s", "onset_time", "onset at the sensor"),
    _error("onset_error_s", "onset_error", "s", "standard uncertainty of the onset"),
    EventField("lag_s", "lag", "s", "lag behind the first onset", about=("lag_error",)),
    _error("lag_error_s", "lag_error", "s", "standard uncertainty of the lag"),
    EventField("rank", "rank", "1", "order of arrival, from 1", "count"),
    EventField(
        "velocity_m_d",
        "velocity",
        "m day-1",
        "velocity of the front from the wetted sensor above",
        about=("velocity_low", "velocity_high"),
    ),
    _error("velocity_low_m_d", "velocity_low", "m day-1", "lower 95 % bound of the velocity"),
    _error(
        "velocity_high_m_d", "velocity_high", "m day-1", "upper 95 % bound of the velocity"
    ),
    EventField(
        "water_content_before",
        "water_content_before",
        "m3 m-3",
        "volumetric soil water content before the front",
        standard_name=WATER_CONTENT_NAME,
    ),
    EventField(
        "water_content_peak",
        "water_content_peak",
        "m3 m-3",
        "highest volumetric soil water content of the event",
        standard_name=WATER_CONTENT_NAME,
    ),
    _time("peak_s", "peak_time", "when water content was highest"),
    EventField(
        "gain",
        "water_content_gain",
        "m3 m-3",
        "gain of water content at the sensor",
        about=("water_content_gain_error",),
    ),
    _error(
        "gain_error",
        "water_content_gain_error",
        "m3 m-3",
        "standard uncertainty of the gain of water content",
    ),
    _flag("overlaps", "overlaps", "whether the front came after the next event began"),
    EventField(
        "storage_gain_mm",
        "storage_gain",
        "mm",
        "gain of water stored above the sensor",
        about=("storage_gain_error",),
    ),
    _error(
        "storage_gain_error_mm",
        "storage_gain_error",
        "mm",
        "standard uncertainty of the gain of water stored above the sensor",
    ),
    _time("storage_peak_s", "storage_peak_time", "when water above the sensor was highest"),
    EventField(
        "recession_h",
        "recession_time",
        "hour",
        "time constant of the recession from the peak",
        about=("recession_residual", "recession_determination"),
    ),
    EventField(
        "drained_water_content",
        "drained_water_content",
        "m3 m-3",
        "water content that the recession tends to",
        standard_name=WATER_CONTENT_NAME,
    ),
    _error(
        "recession_residual",
        "recession_residual",
        "m3 m-3",
        "standard deviation of readings from the fitted recession",
    ),
    _error(
        "recession_determination",
        "recession_determination",
        "1",
        "coefficient of determination of the fitted recession",
    ),
    EventField(
        "time_to_drained_h",
        "time_to_drained",
        "hour",
        "time from the peak until 5 % of the fall is left",
    ),
    _flag("drained", "drained", "whether the event lasted until 5 % of the fall was left"),
    *_drainage("", "the sensor"),
)

UPTAKE: tuple[EventField, ...] = (
    _time("night_s", "night_time", "middle of the night that ends on the day"),
    EventField(
        "night_water_content",
        "night_water_content",
        "m3 m-3",
        "volumetric soil water content in the middle of that night",
        standard_name=WATER_CONTENT_NAME,
        cell_methods="time: point (at night_time) depth: point",
    ),
    EventField(
        "night_drainage_mm_d",
        "night_drainage",
        "mm day-1",
        "rate of drainage past the sensor by night",
        about=("night_drainage_error",),
        cell_methods="time: mean (of the night that ends on the day) depth: point",
    ),
    _error(
        "night_drainage_error",
        "night_drainage_error",
        "mm day-1",
        "standard uncertainty of the rate of drainage past the sensor by night",
    ),
    EventField(
        "uptake_above_mm_d",
        "uptake_above",
        "mm day-1",
        "uptake and evaporation between the surface and the sensor",
        about=("uptake_above_error",),
        cell_methods="time: mean",
    ),
    _error(
        "uptake_above_error",
        "uptake_above_error",
        "mm day-1",
        "standard uncertainty of uptake and evaporation between the surface and the sensor",
    ),
    EventField(
        "uptake_mm_d",
        "uptake",
        "mm day-1",
        "uptake and evaporation between the sensor above and this one",
        about=("uptake_error",),
        cell_methods="time: mean",
    ),
    _error(
        "uptake_error",
        "uptake_error",
        "mm day-1",
        "standard uncertainty of uptake and evaporation between the sensor above and this one",
    ),
)


def columns_of(fields: Iterable[EventField]) -> list[Column]:
    """Return fields as columns of a table."""
    return [field.column for field in fields]
