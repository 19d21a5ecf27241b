"""What is delivered as plain tables beside events: means, conductivity, drift corrections."""

from __future__ import annotations

from pipeline.deliver.event_fields import EventField as Field
from pipeline.variables import WATER_CONTENT_NAME

_TUBE = Field("tube", "tube_id", "", "tube identifier", "text", "platform_id")
_DEPTH = Field("depth_m", "depth", "m", "nominal depth of the sensor")
_DOMAIN = Field("domain", "domain", "", "quantity that the correction acts on", "text")

SITE_MEANS: tuple[Field, ...] = (
    Field("quantity", "quantity", "", "what the mean is of", "text"),
    Field("depth_m", "depth", "m", "nominal depth, for water content"),
    Field("layer", "layer", "", "layer of the soil, for stored water", "text"),
    Field("group", "group", "", "group of tubes; empty for the whole site", "text"),
    Field("day_s", "time", "s", "when the day begins", "time", "time"),
    Field("unit", "unit", "", "unit of mean, bounds, errors and spread", "text"),
    Field("mean", "mean", "", "mean over the tubes"),
    Field("lower", "lower", "", "lower bound of 95 % of the mean"),
    Field("upper", "upper", "", "upper bound of 95 % of the mean"),
    Field("sampling_error", "sampling_error", "", "standard uncertainty from few tubes"),
    Field("systematic_error", "systematic_error", "", "standard uncertainty shared by tubes"),
    Field("spread", "spread", "", "standard deviation between tubes"),
    Field("degrees_of_freedom", "degrees_of_freedom", "1", "degrees of freedom of the mean"),
    Field("measured", "tubes_measured", "1", "number of tubes measured on the day", "count"),
    Field("members", "tubes_counted", "1", "number of tubes that the mean is of", "count"),
)

_QUALITY = "qualityInformation"
_LAW = "exp(law_intercept + law_slope * soil_water_content) in mm day-1"
CONDUCTIVITY: tuple[Field, ...] = (
    _TUBE,
    Field("depth_m", "depth", "m", "nominal depth of the sensor", "number", "depth"),
    Field(
        "real_depth_m",
        "sensor_depth",
        "m",
        "real sensor depth below the surface, with the tube's set-in offset",
        "number",
        "depth",
    ),
    Field(
        "water_content",
        "soil_water_content",
        "m3 m-3",
        "mean water content of the nights of the class",
        "number",
        WATER_CONTENT_NAME,
    ),
    Field(
        "conductivity_mm_d",
        "conductivity",
        "mm day-1",
        "hydraulic conductivity at unit gradient, mean of the nights of the class",
        about=("conductivity_error", "nights", "law_scatter"),
    ),
    Field(
        "conductivity_error",
        "conductivity_error",
        "mm day-1",
        "standard uncertainty of the conductivity of the class",
        content=_QUALITY,
    ),
    Field("nights", "nights", "1", "number of nights in the class", "count", content=_QUALITY),
    Field("intercept", "law_intercept", "1", f"intercept of the sensor's law {_LAW}"),
    Field("slope", "law_slope", "1", f"slope of the sensor's law {_LAW}"),
    Field(
        "offset_mm_d",
        "law_offset",
        "mm day-1",
        "what nights of the tube usually lose besides drainage; not itself taken off: of each "
        "night what its sensors lost in common is",
    ),
    Field(
        "scatter_mm_d",
        "law_scatter",
        "mm day-1",
        "standard deviation of nights about the sensor's law",
        content=_QUALITY,
    ),
)

CORRECTIONS: tuple[Field, ...] = (
    _TUBE,
    _DEPTH,
    _DOMAIN,
    Field(
        "form",
        "form",
        "",
        "added to the signal, a share of it, or between two standards",
        "text",
    ),
    Field("start_s", "start_time", "s", "from when the correction holds", "time"),
    Field("until_s", "until_time", "s", "until when; empty: until the next check", "time"),
    Field("first", "first", "", "correction at its start, in units of its domain"),
    Field("last", "last", "", "correction at its end, in units of its domain"),
    Field("first_error", "first_error", "", "standard uncertainty at its start"),
    Field("last_error", "last_error", "", "standard uncertainty at its end"),
    Field("growth", "growth", "", "rise of the uncertainty a second, in units of its domain"),
    Field("low", "low", "", "two_point: the signal at which the columns before hold"),
    Field("high", "high", "", "two_point: the signal at which the columns behind hold"),
    Field("high_first", "high_first", "", "two_point: correction at its start"),
    Field("high_last", "high_last", "", "two_point: correction at its end"),
    Field("high_first_error", "high_first_error", "", "its standard uncertainty at its start"),
    Field("high_last_error", "high_last_error", "", "its standard uncertainty at its end"),
    Field("high_growth", "high_growth", "", "rise of that uncertainty a second"),
)

DRIFT_CHECKS: tuple[Field, ...] = (
    _TUBE,
    _DEPTH,
    Field("time_s", "time", "s", "when the sensor was checked", "time", "time"),
    Field("kind", "kind", "", "reference, cleaning, ...", "text"),
    _DOMAIN,
    Field("error", "error", "", "what goes beyond the standing difference"),
    Field("error_uncertainty", "error_uncertainty", "", "its standard uncertainty"),
    Field("limit", "limit", "", "what chance explains of it"),
    Field(
        "water_per_signal", "water_per_signal", "", "m3 m-3 of water content a unit of domain"
    ),
    Field("correction", "correction", "", "correction that followed, in units of its domain"),
    Field("verdict", "verdict", "", "what was made of the check", "text"),
    Field("rating", "rating", "", "rating of the time since the check before", "text"),
)
