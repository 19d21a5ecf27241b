"""Layers of a model from a site's newest state into a file, for the command."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TypedDict

import numpy as np

from pipeline.deliver.fields import OF_TUBES
from pipeline.deliver.metadata import Provenance
from pipeline.deliver.model_layers import write_model_layers
from pipeline.derive.layers import layer_spans
from pipeline.errors import PercologError, StoreError
from pipeline.nights.handover import provenance_of
from pipeline.nights.periods import kinds_logged, local_day
from pipeline.notebook import OpenSite, open_site
from pipeline.store.site_store import SiteStore


class LayersError(PercologError, ValueError):
    """What is asked for makes no file; the message says why."""


class LayersAccount(TypedDict):
    """What was written of the layers of a model."""

    site: str
    outcome: str
    file: str
    edges_m: list[float]
    step: str
    times: int
    values: int
    values_known: int


def layers_file(
    folder: Path,
    edges_m: list[float],
    path: Path,
    step: str = "daily",
    days: tuple[datetime | None, datetime | None] = (None, None),
    covariance: bool = False,
) -> LayersAccount:
    """Write the water of a site in the layers of a model as a NetCDF file.

    Parameters
    ----------
    folder : Path
        Where ``site.toml`` lies.
    edges_m : list of float, [m]
    path : Path
    step : "native", "hourly" or "daily"
    days : (datetime or None, datetime or None)
        From the beginning of the first day until the end of the last one, both included; the
        whole record by default.
    covariance : bool
        Write the error covariance between layers as well.

    Raises
    ------
    SiteError, StoreError
    LayersError
        If bounds are no layers, or nothing was logged in the days.
    """
    site = open_site(folder)
    try:
        layer_spans(edges_m)
    except ValueError as error:
        raise LayersError(str(error)) from None
    if not site.snapshot.holds("water/cleaned_water_content"):
        raise StoreError(f"{site.site.id}: found no water content yet; run percolog night")
    window = _window(site, *days)
    if window.start == window.stop:
        raise LayersError(_absent(site, "found none of the days asked for in the record"))
    per_day = site.site.axis.steps_per_day
    asked = window.start // per_day, window.stop // per_day
    if OF_TUBES not in kinds_logged(site.snapshot, *asked):
        raise LayersError(_absent(site, "found no reading of a tube in the days asked for"))
    layers = site.model_layers(edges_m, step, covariance, isel=window)
    write_model_layers(site.site, layers, _provenance(site), path)
    known = int(np.isfinite(layers["layer_storage"].values).sum())
    return {
        "site": site.site.id,
        "outcome": "done",
        "file": str(path),
        "edges_m": edges_m,
        "step": step,
        "times": layers.sizes["time"],
        "values": layers["layer_storage"].size,
        "values_known": known,
    }


def _window(site: OpenSite, first: datetime | None, last: datetime | None) -> slice:
    """Return the steps from the beginning of the first day to the end of the last."""
    per_day, steps = site.site.axis.steps_per_day, site.snapshot.steps
    start = site.site.start
    begin = 0 if first is None else (_day(first, start, site) * per_day)
    end = steps if last is None else (_day(last, start, site) + 1) * per_day
    begin, end = min(max(begin, 0), steps), min(max(end, 0), steps)
    return slice(begin, max(begin, end))


def _absent(site: OpenSite, found: str) -> str:
    """Return what is amiss with the days asked for, and which days there are."""
    days = site.snapshot.days
    if not days:
        return f"{site.site.id}: {found}, which has no day yet; run percolog night"
    first, last = (local_day(site.site, day).date() for day in (0, days - 1))
    return f"{site.site.id}: {found}; expected days with readings, from {first} to {last}"


def _day(day: datetime, start: datetime, site: OpenSite) -> int:
    """Return the number of a calendar day of the site's standard time on its axis."""
    midnight = day.replace(tzinfo=UTC) - timedelta(seconds=site.site.utc_offset_s)
    return (midnight - start) // timedelta(days=1)


def _provenance(site: OpenSite) -> Provenance:
    commit = site.snapshot.commit_id
    store = SiteStore(site.site.store, site.site.axis, site.site.id)
    return provenance_of(site.site, site.snapshot, commit, store.written_at(commit))
