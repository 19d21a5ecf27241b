"""``site.toml``: the site, its sources, thresholds, layers and delivery."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from pipeline.errors import Problem
from pipeline.site.alerts import Alerts
from pipeline.site.draft import Draft, Placed
from pipeline.site.forms import (
    ClockForm,
    LayerForm,
    OverrideForm,
    SiteForm,
    SourceForm,
    UncertaintyForm,
)
from pipeline.site.instruments import Drift, Uncertainty
from pipeline.site.limits import clean_limits
from pipeline.site.mistakes import BadValueError, Spot, did_you_mean, one_of, show
from pipeline.site.models import (
    Clock,
    Delivery,
    Derive,
    Keep,
    Layer,
    QcLimits,
    QcOverride,
    Report,
    Source,
)
from pipeline.site.toml_files import TomlFile, TomlSpot, read_toml
from pipeline.site.translate import key_names, validate
from pipeline.site.values import parse_noise, parse_offset
from pipeline.variables import STATION_QUANTITIES, TUBE_QUANTITIES

FILE = "site.toml"
SECTIONS = (
    "site",
    "source",
    "sensor_noise",
    "uncertainty",
    "drift",
    "qc",
    "layer",
    "derive",
    "delivery",
    "report",
    "keep",
    "alerts",
)

_PARTS = (
    ("delivery", Delivery),
    ("report", Report),
    ("keep", Keep),
    ("drift", Drift),
    ("alerts", Alerts),
)


@dataclass
class Settings:
    """The parts of ``site.toml`` that nothing else refers to; None where they are wrong."""

    site: Placed[SiteForm] | None = None
    offset_s: int = 0
    sensor_noise: dict[str, float] = field(default_factory=dict)
    uncertainty: Uncertainty | None = None
    drift: Drift | None = None
    derive: Derive | None = None
    delivery: Delivery | None = None
    report: Report | None = None
    keep: Keep | None = None
    alerts: Alerts | None = None


def read_settings(folder: Path, draft: Draft) -> Settings:
    """Read ``site.toml``; sources, layers and thresholds go into the draft."""
    settings = Settings()
    toml = read_toml(folder / FILE, FILE, draft.problems)
    if toml is None:
        return settings
    top = TomlSpot(FILE, toml)
    data = keep_known(toml.data, SECTIONS, top, draft.problems)
    _read_site(data, top, settings, draft)
    _read_sources(toml, settings.offset_s, draft)
    settings.sensor_noise = _read_noise(data, top.below("sensor_noise"), draft)
    settings.uncertainty = _read_uncertainty(data, top.below("uncertainty"), draft)
    _read_qc(toml, data.get("qc", {}), draft)
    _read_layers(toml, draft)
    _read_derive(data.get("derive", {}), top.below("derive"), settings, draft)
    for name, model in _PARTS:
        part = validate(model, data.get(name, {}), top.below(name), draft.problems)
        setattr(settings, name, part)
    return settings


def keep_known(
    data: dict[str, object], names: Iterable[str], spot: Spot, problems: list[Problem]
) -> dict[str, object]:
    """Return the entries with a known key, after a problem for each of the others."""
    known = tuple(names)
    for key in data.keys() - set(known):
        found = f"unknown key {show(key)}"
        problems.append(spot.problem(key, found, one_of(known), did_you_mean(key, known)))
    return {key: value for key, value in data.items() if key in known}


def entries(toml: TomlFile, spot: TomlSpot, data: Any, problems: list[Problem]) -> list[Any]:
    """Return an array of tables (``[[name]]``) as (spot, table) pairs."""
    if not isinstance(data, list):
        header = "[[" + ".".join(map(str, spot.base)) + "]]"
        problems.append(spot.problem((), show(data), f"a list of tables, each below {header}"))
        return []
    return [(spot.below(index), item) for index, item in enumerate(data)]


def names_of(items: Iterable[tuple[Spot, object]], key: str) -> set[str]:
    """Return what entries are called, also of entries that are otherwise wrong."""
    named = (item.get(key) for _, item in items if isinstance(item, dict))
    return {name for name in named if isinstance(name, str)}


def _read_site(data: dict[str, Any], top: TomlSpot, settings: Settings, draft: Draft) -> None:
    spot = top.below("site")
    if "site" not in data:
        draft.problems.append(top.problem((), "no [site] table", "a [site] table"))
        return
    raw = data["site"]
    form = validate(SiteForm, raw, spot, draft.problems)
    if form is not None:
        settings.site = Placed(form, spot)
    try:  # the tables need the offset even when something else is wrong here
        settings.offset_s = parse_offset(raw["utc_offset"])
    except (BadValueError, KeyError, TypeError):
        return


def _read_sources(toml: TomlFile, offset_s: int, draft: Draft) -> None:
    top = TomlSpot(FILE, toml)
    found = entries(toml, top.below("source"), toml.data.get("source", []), draft.problems)
    draft.source_names = names_of(found, "id")
    if not toml.data.get("source"):
        draft.problems.append(top.problem((), "no [[source]]", "at least one [[source]]"))
    for spot, item in found:
        form = validate(SourceForm, item, spot, draft.problems)
        clock = form and _clock(form.clock, spot.below("clock"), offset_s, draft.problems)
        if form and clock:
            source = Source(
                **form.model_dump(exclude={"clock", "interval", "archived_before"}),
                clock=clock,
                interval_s=form.interval,
                archived_before=form.archived_before
                and midnight(form.archived_before, offset_s),
            )
            draft.sources.append(Placed(source, spot))


def midnight(day: date, offset_s: int) -> datetime:
    """Return when a day of the site's standard time begins."""
    return datetime.combine(day, time(), tzinfo=UTC) - timedelta(seconds=offset_s)


def _clock(
    form: ClockForm, spot: Spot, offset_s: int, problems: list[Problem]
) -> Clock | None:
    """Return the clock with its offset or zone checked; the site's own offset by default."""
    if form.zone is not None and form.utc_offset is not None:
        advice = "A logger that never changes to summer time has an offset."
        found = "both a zone and an offset"
        problems.append(spot.problem((), found, "'zone' or 'utc_offset'", advice))
        return None
    if form.zone is not None:
        if _zone_exists(form.zone):
            return Clock(zone=form.zone, stamp=form.stamp, epoch_s=form.epoch)
        advice = did_you_mean(form.zone, sorted(available_timezones()))
        expected = "an IANA time zone like 'Europe/Paris'"
        problems.append(spot.problem("zone", show(form.zone), expected, advice))
        return None
    try:
        seconds = offset_s if form.utc_offset is None else parse_offset(form.utc_offset)
    except BadValueError as error:
        found = show(form.utc_offset)
        problems.append(spot.problem("utc_offset", found, error.expected, error.advice))
        return None
    return Clock(utc_offset=offset_text(seconds), stamp=form.stamp, epoch_s=form.epoch)


def offset_text(seconds: int) -> str:
    """Return an offset in one spelling, so that ``Z`` and ``+00:00`` are the same clock."""
    minutes = abs(seconds) // 60
    return f"{'-' if seconds < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _zone_exists(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _read_noise(data: dict[str, Any], spot: TomlSpot, draft: Draft) -> dict[str, float]:
    raw = data.get("sensor_noise", {})
    if not isinstance(raw, dict):
        draft.problems.append(spot.problem((), show(raw), "a table"))
        return {}
    noise: dict[str, float] = {}
    quantities = (*TUBE_QUANTITIES, *STATION_QUANTITIES)
    for quantity, value in keep_known(raw, quantities, spot, draft.problems).items():
        try:
            noise[quantity] = parse_noise(value, quantity)
        except BadValueError as error:
            draft.problems.append(
                spot.problem(quantity, show(value), error.expected, error.advice)
            )
    return noise


def _read_uncertainty(
    data: dict[str, Any], spot: TomlSpot, draft: Draft
) -> Uncertainty | None:
    form = validate(UncertaintyForm, data.get("uncertainty", {}), spot, draft.problems)
    if form is None:
        return None
    return Uncertainty(depth_m=round(form.depth_cm / 100, 6), reference=form.reference)


def _read_qc(toml: TomlFile, raw: object, draft: Draft) -> None:
    spot = TomlSpot(FILE, toml, ("qc",))
    if not isinstance(raw, dict):
        draft.problems.append(spot.problem((), show(raw), "a table"))
        return
    names = [*key_names(QcLimits, ()), "override"]
    data = keep_known(raw, names, spot, draft.problems)
    overrides = data.pop("override", [])
    limits = validate(QcLimits, clean_limits(data), spot, draft.problems)
    if limits is not None:
        draft.qc = Placed(limits, spot)
    for place, item in entries(toml, spot.below("override"), overrides, draft.problems):
        form = validate(OverrideForm, item, place, draft.problems)
        if form is None:
            continue
        settings = _override_values(form, place.below("set"), draft.problems)
        override = QcOverride(**form.model_dump(exclude={"set"}), set=settings)
        draft.overrides.append(Placed(override, place))


def _override_values(
    form: OverrideForm, spot: TomlSpot, problems: list[Problem]
) -> dict[str, object]:
    """Return the thresholds an override sets, each checked as the site's own are."""
    names = [name for name in key_names(QcLimits, ()) if name != "why"]
    values = clean_limits(keep_known(form.set, names, spot, problems))
    if not form.set:
        problems.append(spot.problem((), "nothing", "at least one threshold"))
    checked = validate(QcLimits, values, spot, problems)
    return {} if checked is None else {name: getattr(checked, name) for name in values}


def _read_layers(toml: TomlFile, draft: Draft) -> None:
    top = TomlSpot(FILE, toml)
    found = entries(toml, top.below("layer"), toml.data.get("layer", []), draft.problems)
    if not toml.data.get("layer"):
        expected = "at least one [[layer]] whose water is to be stored"
        draft.problems.append(top.problem((), "no [[layer]]", expected))
    for spot, item in found:
        form = validate(LayerForm, item, spot, draft.problems)
        if form is not None:
            layer = Layer(
                name=form.name,
                top_m=round(form.top_cm / 100, 4),
                bottom_m=round(form.bottom_cm / 100, 4),
            )
            draft.layers.append(Placed(layer, spot))


def _read_derive(raw: object, spot: TomlSpot, settings: Settings, draft: Draft) -> None:
    if not isinstance(raw, dict):
        draft.problems.append(spot.problem((), show(raw), "a table"))
        return
    names = [name for name in key_names(Derive, ()) if name != "layers"]
    data = keep_known(raw, names, spot, draft.problems)
    settings.derive = validate(Derive, {**data, "layers": ()}, spot, draft.problems)
