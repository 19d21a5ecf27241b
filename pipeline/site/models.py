"""The site description as frozen models: what is in the ground, wired how, and since when.

All instants are UTC. Tables state them in ISO 8601; one without an offset is in the site's own
standard time (``site.toml``, ``utc_offset``). Depths are metres below the surface here and
centimetres in the tables, as the trade writes them. An open end (``until``, ``removed``) is
None.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from pipeline.axis import TimeAxis
from pipeline.site.alerts import Alerts
from pipeline.site.base import Model
from pipeline.site.instruments import Correction, Drift, Uncertainty, Warmth
from pipeline.site.layout import Layout
from pipeline.variables import STATION_QUANTITIES

Quantity = Literal[
    "voltage",
    "permittivity",
    "root_permittivity",
    "water_content",
    "soil_temperature",
    "bulk_conductivity",
    "rain",
    "air_temperature",
    "supply_voltage",
]
# What can be done on a visit. Of these "reference", "sample" and "bench" bring a value.
VISIT_ACTIONS = (
    "installation",
    "removal",
    "cleaning",
    "inspection",
    "swap",
    "reference",
    "sample",
    "bench",
    "rotation",
    "download",
    "clock",
    "power",
    "other",
)
# Visits on which hands were on the tube or the logger. Readings to compare with, samples and
# downloads leave both alone.
DISTURBING = frozenset(
    {"installation", "removal", "cleaning", "inspection", "swap", "rotation", "power"}
)
Identifier = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$")]


class Contact(Model):
    """A person or institution for the ACDD attributes."""

    name: str
    email: str = ""
    url: str = ""
    type: Literal["person", "group", "institution", "position"] = "person"


class Clock(Model):
    """How a source's stamps become UTC. One of ``utc_offset`` and ``zone``.

    ``stamp`` says what the stamp means: the instant of the reading, or the start or the end of
    the logging interval; a start is moved to the end. ``epoch_s`` is what the clock shows
    after a power failure, in seconds since 1970 on the clock itself; needed only where that
    lies after the site began, since earlier stamps give themselves away.
    """

    utc_offset: str | None = None  # "+01:00", "Z"
    zone: str | None = None  # IANA name
    stamp: Literal["instant", "start", "end"] = "instant"
    epoch_s: int | None = None


class Source(Model):
    """One stream of raw files: a logger's exports, a bus transcript, a book of hand rounds."""

    id: Identifier
    kind: Literal["table", "sdi12", "rounds"]
    files: str  # glob below the site's data folder, with forward slashes
    layout: Identifier
    clock: Clock
    interval_s: int | None = None  # when it differs from the site's
    archived_before: datetime | None = None  # raw files of before need not lie there
    note: str = ""


class Tube(Model):
    """One installation of one access tube."""

    row: int = 0  # row of tubes.csv, for messages
    tube: Identifier
    latitude: Annotated[float, Field(ge=-90, le=90)]
    longitude: Annotated[float, Field(ge=-180, le=180)]
    elevation_m: float
    installed: datetime
    removed: datetime | None = None
    set_in_m: float = 0.0  # positive: the tube sits deeper than nominal
    depth_uncertainty_m: Annotated[float, Field(ge=0)] | None = None  # None: the site's
    soil: Identifier
    group: str = ""
    note: str = ""


class Wire(Model):
    """One channel of one source and what it measured, from a day until a day (exclusive)."""

    row: int  # row of wiring.csv, for messages and for the trace
    source: Identifier
    channel: str
    tube: str  # empty for a quantity of the station
    depth_m: float | None  # nominal; None for a quantity of the station
    quantity: Quantity
    unit: str
    probe: str = ""
    start: datetime | None = None
    until: datetime | None = None

    @property
    def at_station(self) -> bool:
        """Tell whether the channel belongs to the source rather than to a tube."""
        return self.quantity in STATION_QUANTITIES


class Horizon(Model):
    """One soil layer with the calibration that turns root permittivity into water content."""

    name: str
    top_m: float
    bottom_m: float
    calibration: Identifier
    texture: str = ""
    sand_pct: float | None = None
    clay_pct: float | None = None
    organic_pct: float | None = None
    stones_pct: float | None = None
    bulk_density: float | None = None  # g cm-3
    saturation: float | None = None  # m3 m-3


class Soil(Model):
    """A soil profile, horizons from the surface down."""

    id: Identifier
    title: str = ""
    horizons: tuple[Horizon, ...]

    def horizon_at(self, depth_m: float) -> Horizon | None:
        """Return the horizon that holds a depth; a boundary belongs to the lower horizon."""
        for horizon in self.horizons:
            if horizon.top_m <= depth_m < horizon.bottom_m:
                return horizon
        return None


class Law(Model):
    """One version of one calibration law; never edited in place, only added to.

    ``kind`` "probe" turns volts into root permittivity and names the probes it holds for;
    ``kind`` "soil" turns root permittivity into water content and is named by horizons. Of
    the versions of one ``id``, a reading takes the highest whose ``effective`` is not later.
    ``form`` picks the function (see `pipeline.calibrate.laws`), ``coefficients`` are its own.
    ``standard_error`` is the law's own standard uncertainty, in its output's units.
    """

    id: Identifier
    version: Annotated[int, Field(ge=1)]
    kind: Literal["probe", "soil"]
    effective: datetime | None = None  # None: since ever
    probes: tuple[str, ...] = ()
    form: str
    coefficients: dict[str, Any] = Field(default_factory=dict)
    valid_from: float | None = None  # input range, closed
    valid_to: float | None = None
    covariance: tuple[tuple[float, ...], ...] | None = None
    standard_error: float | None = None
    temperature: Warmth | None = None  # None: readings are not freed of soil temperature
    origin: str


class Visit(Model):
    """One thing done in the field."""

    row: int
    time: datetime
    tube: str = ""
    source: str = ""
    action: str
    depth_m: float | None = None
    value: float | None = None
    unit: str = ""
    reading: float | None = None  # of the sensor itself, beside ``value``
    uncertainty: Annotated[float, Field(gt=0)] | None = None  # standard, of ``value``
    note: str = ""
    who: str = ""


class QcLimits(Model):
    """Thresholds of the quality tests; None switches a test off. Reasons belong in ``why``.

    Keys that end in ``_noise`` are multiples of the noise of the record around a reading, as
    `pipeline.qc.noise` estimates it. docs/quality.md says what each test does.
    """

    gross_fail: tuple[float, float] | None = (0.0, 0.75)  # m3 m-3
    gross_suspect: tuple[float, float] | None = (0.02, 0.60)
    rate_suspect_per_h: float | None = 0.2  # m3 m-3 h-1: a storm on dry sand makes 0.16
    noise_floor: float = 0.0002  # m3 m-3; no record is taken for quieter than this
    spike_noise: float | None = 5.2
    spike_false: Annotated[float, Field(gt=0, lt=1)] | None = 0.015
    spike_suspect: float | None = 0.03  # m3 m-3
    spike_fail: float | None = 0.06
    flat_tolerance: float = 0.0  # m3 m-3; readings within it count as equal
    flat_suspect_h: float | None = 120.0
    flat_fail_h: float | None = 240.0
    stuck_chance: Annotated[float, Field(gt=0, lt=1)] | None = 1e-9
    dropout_fall: float | None = 0.05  # m3 m-3
    burst_noise: float | None = 4.0
    step_suspect: float | None = 0.008  # m3 m-3
    step_noise: float = 8.0  # a step is also larger than this
    neighbour_suspect: float | None = 0.02  # m3 m-3 in six hours
    frozen_degc: float | None = 0.0
    frozen_fall: Annotated[float, Field(gt=0, lt=1)] | None = 0.08  # of the level before
    timing_part: float | None = 0.25  # of the interval between readings
    maintenance_h: float | None = 1.0
    supply_part: float | None = 0.8  # of the highest of the last days
    supply_suspect_v: float | None = None
    supply_fail_v: float | None = None
    why: str = ""


class QcOverride(Model):
    """Thresholds for some tubes and depths; only the keys given differ from the site's."""

    tubes: tuple[str, ...] = ()  # empty: all
    depths_cm: tuple[float, ...] = ()  # empty: all
    set: dict[str, Any]
    why: str


class Decision(Model):
    """A person's verdict over a time (``until`` exclusive).

    "keep" and "reject" are on readings and overrule the quality tests; the others are on a
    tube and overrule what was found of its health. Of two that meet, the lower row wins.
    """

    row: int
    tube: Identifier
    depth_m: float | None = None  # nominal; None: all depths of the tube
    start: datetime
    until: datetime
    verdict: Literal["keep", "reject", "sound", "use with care", "do not use"]
    why: Annotated[str, Field(min_length=1)]
    who: Annotated[str, Field(min_length=1)]

    @property
    def of_tube(self) -> bool:
        """Tell whether the verdict is on a tube and not on readings."""
        return self.verdict not in ("keep", "reject")


class Layer(Model):
    """A layer of the profile whose storage is computed."""

    name: Identifier
    top_m: float
    bottom_m: float


class Derive(Model):
    """Rules of the products."""

    layers: tuple[Layer, ...]
    above_first_sensor: Literal["constant", "none"] = "constant"
    below_last_sensor: Literal["constant", "none"] = "none"
    missing_sensor: Literal["none", "bridge"] = "none"  # of one between two others
    day_completeness: Annotated[float, Field(gt=0, le=1)] = 0.75


class Delivery(Model):
    """What is handed over and how it is described."""

    period: Literal["month", "year", "all"] = "month"
    license: str = ""
    keywords: str = ""
    acknowledgement: str = ""
    project: str = ""
    naming_authority: str = ""
    references: str = ""
    comment: str = ""


class Report(Model):
    """What the pictures show."""

    days: Annotated[int, Field(ge=1, le=3660)] = 120


class Keep(Model):
    """Which earlier states of the store are kept; all others are thinned out."""

    nights: Annotated[int, Field(ge=1, le=100_000)] = 30  # the newest states, all of them
    monthly: bool = True  # of each month before, its last state
    delivered: bool = True  # every state that a delivered file names


class Site(Model):
    """A whole site description, validated and cross-checked (see `pipeline.site.load`)."""

    folder: Path  # where site.toml lies
    data: Path  # where raw files are looked for
    store: str  # folder or object-store address of the site's store
    output: Path  # where files for people are written
    id: Identifier
    title: str
    summary: str
    institution: str
    creator: Contact
    publisher: Contact
    start: datetime  # UTC; midnight of the first day in the site's standard time
    utc_offset_s: int
    interval_s: int
    sensor_noise: dict[str, float] = Field(
        default_factory=dict
    )  # standard deviation per logged quantity, its units
    sources: tuple[Source, ...]
    layouts: dict[str, Layout]
    tubes: tuple[Tube, ...]
    wiring: tuple[Wire, ...]
    soils: dict[str, Soil]
    laws: tuple[Law, ...]
    visits: tuple[Visit, ...] = ()
    uncertainty: Uncertainty = Uncertainty()
    drift: Drift = Drift()
    corrections: tuple[Correction, ...] = ()  # found by the night, not described
    qc: QcLimits = QcLimits()
    qc_overrides: tuple[QcOverride, ...] = ()
    decisions: tuple[Decision, ...] = ()
    derive: Derive
    delivery: Delivery = Delivery()
    report: Report = Report()
    keep: Keep = Keep()
    alerts: Alerts = Alerts()

    @cached_property
    def axis(self) -> TimeAxis:
        """Return the site's time axis."""
        return TimeAxis(int(self.start.timestamp()), self.interval_s)

    @cached_property
    def depths_m(self) -> tuple[float, ...]:
        """Return all nominal sensor depths, from the wiring, downwards."""
        found = {w.depth_m for w in self.wiring if w.depth_m is not None}
        return tuple(sorted(found))

    @property  # not cached: a copy with other sources would keep the old ones
    def stations(self) -> tuple[str, ...]:
        """Return the sources that log a quantity of the station, in their own order."""
        wired = {w.source for w in self.wiring if w.at_station}
        return tuple(source.id for source in self.sources if source.id in wired)

    @property  # not cached either
    def strides(self) -> dict[str, int]:
        """Return how many steps of the axis lie between two readings of each source."""
        return {
            source.id: max(1, round((source.interval_s or self.interval_s) / self.interval_s))
            for source in self.sources
        }

    @cached_property
    def tube_by_id(self) -> dict[str, Tube]:
        """Return the tubes by name."""
        return {tube.tube: tube for tube in self.tubes}

    def sensor_depth_m(self, tube: str, nominal_m: float) -> float:
        """Return the real depth of a sensor, with the tube's set-in offset."""
        return round(nominal_m + self.tube_by_id[tube].set_in_m, 4)

    def date_of(self, instant: datetime) -> str:
        """Return the day of an instant in the site's standard time, as written down."""
        return f"{instant + timedelta(seconds=self.utc_offset_s):%Y-%m-%d}"

    def depth_uncertainty_m(self, tube: str) -> float:
        """Return the standard uncertainty of the depth of a tube's sensors."""
        own = self.tube_by_id[tube].depth_uncertainty_m
        return self.uncertainty.depth_m if own is None else own
