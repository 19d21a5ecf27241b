"""The tables of site.toml, soils.toml and calibrations.toml in the form people write them.

Each form becomes a model of `pipeline.site.models`; a form exists only where the two differ,
in units (centimetres), in words (``15 min``) or in shape.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    WithJsonSchema,
)

from pipeline.site.instruments import Warmth
from pipeline.site.models import Contact, Identifier
from pipeline.site.values import (
    CLOCK_READING_SCHEMA,
    DAY_SCHEMA,
    GLOB_SCHEMA,
    INSTANT_SCHEMA,
    INTERVAL_SCHEMA,
    OFFSET_SCHEMA,
    finite_number,
    parse_address,
    parse_clock_reading,
    parse_day,
    parse_glob,
    parse_interval,
    parse_offset,
)

Number = Annotated[float, BeforeValidator(finite_number)]
Percent = Annotated[Number, Field(ge=0, le=100)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Folder = Annotated[str, BeforeValidator(parse_address)]
Interval = Annotated[int, BeforeValidator(parse_interval), WithJsonSchema(INTERVAL_SCHEMA)]


class Form(BaseModel):
    """Frozen, and strict about keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteForm(Form):
    """``[site]``."""

    id: Identifier
    title: Text
    summary: Text
    institution: Text
    start: Annotated[Any, BeforeValidator(parse_day), WithJsonSchema(DAY_SCHEMA)]
    utc_offset: Annotated[int, BeforeValidator(parse_offset), WithJsonSchema(OFFSET_SCHEMA)]
    interval: Interval
    data: Folder = "data"
    output: Folder = "out"
    store: Folder = "store"
    creator: Contact
    publisher: Contact | None = None


class ClockForm(Form):
    """``[source.clock]``; without a zone or an offset the site's standard time holds."""

    utc_offset: Annotated[str, WithJsonSchema(OFFSET_SCHEMA)] | None = None
    zone: str | None = None
    stamp: Literal["instant", "start", "end"] = "instant"
    epoch: (
        Annotated[
            int, BeforeValidator(parse_clock_reading), WithJsonSchema(CLOCK_READING_SCHEMA)
        ]
        | None
    ) = None


class SourceForm(Form):
    """``[[source]]``."""

    id: Identifier
    kind: Literal["table", "sdi12", "rounds"]
    files: Annotated[str, BeforeValidator(parse_glob), WithJsonSchema(GLOB_SCHEMA)]
    layout: Identifier
    clock: ClockForm = ClockForm()
    interval: Interval | None = None
    archived_before: (
        Annotated[Any, BeforeValidator(parse_day), WithJsonSchema(DAY_SCHEMA)] | None
    ) = None
    note: str = ""


class LayerForm(Form):
    """``[[layer]]``."""

    name: Identifier
    top_cm: Number
    bottom_cm: Number


class UncertaintyForm(Form):
    """``[uncertainty]``."""

    depth_cm: Annotated[Number, Field(ge=0, le=100)] = 1.0
    reference: Annotated[Number, Field(gt=0, le=1)] = 0.01


class OverrideForm(Form):
    """``[[qc.override]]``."""

    tubes: tuple[str, ...] = ()
    depths_cm: tuple[Number, ...] = ()
    set: dict[str, Any]
    why: Text


class HorizonForm(Form):
    """``[[soil.ID.horizon]]``."""

    name: Text
    top_cm: Annotated[Number, Field(ge=0)]
    bottom_cm: Number
    calibration: Identifier
    texture: str = ""
    sand_pct: Percent | None = None
    clay_pct: Percent | None = None
    organic_pct: Percent | None = None
    stones_pct: Percent | None = None
    bulk_density: Annotated[Number, Field(gt=0, lt=2.65)] | None = None
    saturation: Annotated[Number, Field(gt=0, le=1)] | None = None


class SoilForm(Form):
    """``[soil.ID]``."""

    title: str = ""
    horizon: tuple[HorizonForm, ...] = Field(min_length=1)


class LawForm(Form):
    """``[[law]]``."""

    id: Identifier
    version: Annotated[int, Field(ge=1, strict=True)]
    kind: Literal["probe", "soil"]
    effective: Annotated[Any, WithJsonSchema(INSTANT_SCHEMA)] = Field(None, alias="from")
    probes: tuple[Text, ...] = ()
    form: Text
    coefficients: dict[str, Any] = {}
    valid: tuple[Number, Number] | None = None
    covariance: tuple[tuple[Number, ...], ...] | None = None
    standard_error: Annotated[Number, Field(ge=0)] | None = None
    temperature: Warmth | None = None
    origin: Text
