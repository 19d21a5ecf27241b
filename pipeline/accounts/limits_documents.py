"""The document of ``percolog limits``; docs/documents.md says the same to programs."""

from __future__ import annotations

from typing import NotRequired, TypedDict

from pipeline.outcomes import Failure


class StoredLimits(TypedDict):
    """A row of the stored table: what a sensor's record tells [m3 m-3]; None where nothing."""

    tube: str
    depth_m: float
    upper: float | None
    upper_error: float | None
    upper_spells: int
    days_to_drain: float | None
    days_to_drain_error: float | None
    days_to_drain_spells: int
    lower: float | None
    lower_error: float | None
    lower_spells: int
    lower_is_bound: bool
    highest: float
    days: int


class Texture(TypedDict):
    """What a horizon's texture lets expect [m3 m-3]; None where it is not known."""

    texture: str | None
    texture_of: str | None  # of which shares or class
    texture_upper: float | None
    texture_lower: float | None
    texture_saturation: float | None
    table_19_upper: list[float] | None  # lowest and highest; None where the texture has none
    table_19_lower: list[float] | None


class Saturation(TypedDict):
    """Saturation as stated, else from bulk density [m3 m-3]; and whence it is."""

    saturation: float | None
    saturation_from: str | None


class SensorLimits(StoredLimits, Texture, Saturation):
    """The limits at one sensor, what texture says beside them, and remarks."""

    real_depth_m: float
    horizon: str | None
    remarks: list[str]


class RootZone(TypedDict):
    """What one tube's root zone holds on the last day on which all of it is known.

    None where ``unknown`` says why.
    """

    tube: str
    day: str | None
    total_available_mm: float | None
    depletion_mm: float | None
    surplus_mm: float | None
    relative_available_water: float | None  # [1]
    refill_mm: float | None
    unknown: str | None
    limits_from: list[str]
    remark: str  # may be empty


class LimitsAccount(TypedDict):
    """The limits of a site's soil, and what its root zones hold."""

    site: str
    outcome: str
    commit: str
    root_depth_m: float
    depletion_fraction: float
    sensors: list[SensorLimits]
    root_zones: list[RootZone]
    caution: str
    failures: NotRequired[list[Failure]]  # where the description is wrong at present
