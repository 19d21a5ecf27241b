"""Load a site description: a folder of TOML and CSV becomes a `Site`, or all its mistakes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

from pipeline.axis import TimeAxis
from pipeline.errors import Problem, SiteError
from pipeline.site.alerts import Alerts
from pipeline.site.cross_ground import check_ground
from pipeline.site.cross_settings import check_settings
from pipeline.site.cross_wiring import check_wiring
from pipeline.site.draft import Draft
from pipeline.site.ground import read_laws, read_layouts, read_soils
from pipeline.site.instruments import Drift, Uncertainty
from pipeline.site.mistakes import in_reading_order
from pipeline.site.models import (
    Delivery,
    Derive,
    Keep,
    QcLimits,
    Report,
    Site,
)
from pipeline.site.rows import read_decisions, read_tubes, read_visits, read_wiring
from pipeline.site.settings import Settings, midnight, read_settings

OBJECT_STORE = "s3://"
# The bucket as S3 names buckets, the prefix in letters that need no escape.
_BUCKET = re.compile(r"s3://[a-z0-9][a-z0-9.-]{1,61}[a-z0-9](/[\w.=-]+)+/?", re.ASCII)


class Places(NamedTuple):
    """What the table [site] alone says: whose store it is, its axis, and where all lies."""

    id: str
    axis: TimeAxis
    folder: Path
    data: Path
    store: str
    output: Path


def load_site(folder: Path) -> Site:
    """Return the site described in a folder.

    Nothing is opened but the files of the description, and nothing is written; the folders of
    data, store and output need not exist.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies; docs/site-description.md says what belongs beside it.

    Raises
    ------
    SiteError
        With every mistake of every file, each with file and line, what was found, what was
        expected and, where one can be told, a suggestion.
    """
    draft = Draft()
    if not folder.is_dir():
        found = "a file" if folder.is_file() else "no such folder"
        advice = f"Name the folder it lies in: {folder.parent}" if folder.is_file() else ""
        raise SiteError([Problem(str(folder), "", found, "a site's folder", advice)])
    settings = read_settings(folder, draft)
    draft.offset_s = settings.offset_s
    _read_tables(folder, settings, draft)
    for check in (check_settings, check_wiring, check_ground):
        draft.problems.extend(check(draft))
    store = _store(folder, settings, draft.problems)
    if draft.problems:
        raise SiteError(in_reading_order(draft.problems))
    return _assemble(folder, settings, draft, store)


def load_places(folder: Path) -> Places:
    """Return where a site's data, store and output lie, from the table [site] alone.

    So that a store can be looked at while something else in the description is wrong.

    Raises
    ------
    SiteError
        If [site] itself cannot be used.
    """
    draft = Draft()
    settings = read_settings(folder, draft)
    wrong: list[Problem] = []
    store = _store(folder, settings, wrong)
    if wrong or settings.site is None:
        raise SiteError(in_reading_order([*draft.problems, *wrong]))
    form = settings.site.value
    return Places(
        form.id,
        TimeAxis(int(midnight(form.start, form.utc_offset).timestamp()), form.interval),
        folder.resolve(),
        _folder(folder, form.data),
        store,
        _folder(folder, form.output),
    )


def _read_tables(folder: Path, settings: Settings, draft: Draft) -> None:
    read_layouts(folder, draft)
    read_laws(folder, settings.offset_s, draft)
    read_soils(folder, draft)
    read_tubes(folder, settings.offset_s, draft)
    logged = any(placed.value.kind != "rounds" for placed in draft.sources)
    if logged or not draft.sources or (folder / "wiring.csv").exists():
        read_wiring(folder, settings.offset_s, draft)
    read_visits(folder, settings.offset_s, draft)
    read_decisions(folder, settings.offset_s, draft)


def _store(folder: Path, settings: Settings, problems: list[Problem]) -> str:
    """Return where the store lies: an object-store address as written, or a folder in full."""
    if settings.site is None:
        return ""
    written = settings.site.value.store
    if written.startswith(OBJECT_STORE):
        if not _BUCKET.fullmatch(written):
            expected = "s3://bucket/prefix, without a key, a port or a query"
            advice = "Endpoint and credentials are set in the environment, never in this file."
            # What was written is not repeated: it may hold a secret.
            problems.append(
                settings.site.spot.problem("store", "another address", expected, advice)
            )
        return written
    if "://" in written:
        expected = f"a folder or an address beginning with {OBJECT_STORE!r}"
        problems.append(settings.site.spot.problem("store", repr(written), expected))
        return ""
    store, form = _folder(folder, written), settings.site.value
    others = {"description": folder.resolve(), "data": _folder(folder, form.data)}
    others["output"] = _folder(folder, form.output)
    held = [name for name, other in others.items() if other.is_relative_to(store)]
    if held:
        found = f"{written!r}, where the {held[0]} lies"
        expected = "a folder that holds nothing else"
        advice = "A store is made in an empty folder, into which nothing else is written."
        problems.append(settings.site.spot.problem("store", found, expected, advice))
    return str(store)


def _folder(folder: Path, written: str) -> Path:
    return (folder / written).resolve()


def _assemble(folder: Path, settings: Settings, draft: Draft, store: str) -> Site:
    """Return the site, once nothing is wrong; parts left out take their defaults."""
    if settings.site is None:  # told by read_settings; here for the type checker
        raise SiteError([Problem("site.toml", "", "no [site] table", "a [site] table")])
    form = settings.site.value
    layers = tuple(placed.value for placed in draft.layers)
    derive = (settings.derive or Derive(layers=())).model_copy(update={"layers": layers})
    return Site(
        folder=folder.resolve(),
        data=_folder(folder, form.data),
        store=store,
        output=_folder(folder, form.output),
        **form.model_dump(include={"id", "title", "summary", "institution"}),
        creator=form.creator,
        publisher=form.publisher or form.creator,
        start=midnight(form.start, form.utc_offset),
        utc_offset_s=form.utc_offset,
        interval_s=form.interval,
        sensor_noise=settings.sensor_noise,
        uncertainty=settings.uncertainty or Uncertainty(),
        drift=settings.drift or Drift(),
        sources=tuple(placed.value for placed in draft.sources),
        layouts={placed.value.id: placed.value for placed in draft.layouts},
        tubes=tuple(placed.value for placed in draft.tubes),
        wiring=tuple(placed.value for placed in draft.wires),
        soils={placed.value.id: placed.value for placed in draft.soils},
        laws=tuple(placed.value for placed in draft.laws),
        visits=tuple(placed.value for placed in draft.visits),
        qc=draft.qc.value if draft.qc else QcLimits(),
        qc_overrides=tuple(placed.value for placed in draft.overrides),
        decisions=tuple(placed.value for placed in draft.decisions),
        derive=derive,
        delivery=settings.delivery or Delivery(),
        report=settings.report or Report(),
        keep=settings.keep or Keep(),
        alerts=settings.alerts or Alerts(),
    )
