"""Global attributes: what a file is, where and when it holds, who made it, and from what.

CF and the Attribute Convention for Data Discovery (ACDD 1.3). Nothing here reads a clock: the
time of making is given, so that the same input gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S
from pipeline.site.models import Contact, Site

# The newest version that an independent checker can verify.
CONVENTIONS = "CF-1.11, ACDD-1.3"
VOCABULARY = "CF Standard Name Table v93"
# Raised where a file made from the same state says something else than before, so that nights
# write once what they have written. 2: coverage in time ends with the last cell, not with its
# beginning: the last day of a month is covered.
# 3: `law_offset` is not said to be taken off.
# 4: depths that the site describes no more are left out.
# 5: rain of a day fell within it, from midnight to midnight.
FORM = 5


@dataclass(frozen=True)
class Provenance:
    """From what a file is made.

    ``commit`` is the state of the store; ``site_hash`` the SHA-256 of the effective site
    description; ``steps`` the steps of computation in order; ``created`` an ISO 8601 instant
    (UTC) that follows from the data, such as that of the last reading; ``inputs`` the number
    of raw files; ``verdicts`` what each tube is good for (see `pipeline.qc.findings.Verdict`).
    """

    commit: str
    code_version: str
    site_hash: str
    steps: tuple[str, ...]
    created: str
    inputs: int
    comment: str = ""
    verdicts: tuple[tuple[str, int], ...] = ()

    def remarked(self, remark: str) -> Provenance:
        """Return the same with a remark before its comment."""
        return replace(self, comment=" ".join(filter(None, (remark, self.comment))))


@dataclass(frozen=True)
class Vertical:
    """The vertical extent of a file and what it is counted from."""

    lowest_m: float
    highest_m: float
    positive: str
    reference: str

    @classmethod
    def below_surface(cls, depths_m: NDArray[np.float64]) -> Vertical:
        """Return the extent of depths in the soil, for which no EPSG code exists."""
        reference = "depth below the local soil surface in metres"
        return cls(float(depths_m.min()), float(depths_m.max()), "down", reference)

    @classmethod
    def above_sea(cls, altitudes_m: NDArray[np.float64]) -> Vertical:
        """Return the extent of altitudes above mean sea level."""
        return cls(float(altitudes_m.min()), float(altitudes_m.max()), "up", "EPSG:5714")


@dataclass(frozen=True)
class Extent:
    """The space and time that a file covers: from when until when, and the step.

    Where times have cells the last one is covered to its end (ACDD: the time of the last data
    point, and of daily values that is a whole day).
    """

    latitudes: NDArray[np.float64]
    longitudes: NDArray[np.float64]
    vertical: Vertical
    period_s: tuple[int, int]
    step_s: int


def global_attributes(
    site: Site, content: str, feature_type: str, extent: Extent, provenance: Provenance
) -> dict[str, str | float]:
    """Return the global attributes of a file; those the site leaves empty are left out.

    Parameters
    ----------
    site : Site
    content : str
        What the file holds, in a few words for a title: "daily soil water".
    feature_type : str
        CF ``featureType``.
    extent : Extent
    provenance : Provenance
    """
    attributes: dict[str, str | float] = {
        "Conventions": CONVENTIONS,
        "featureType": feature_type,
        "title": f"{site.title}: {content}",
        "id": _identity(site, content, extent),
        **_description(site),
        **_made(site, content, provenance),
        **_people(site),
        **_space(extent),
        **_time(extent),
    }
    return {name: value for name, value in attributes.items() if value != ""}


def state_attributes(content: str, provenance: Provenance) -> dict[str, str]:
    """Return the attributes that name the state a file is made from, and when that was.

    Parameters
    ----------
    content : str
        As for `global_attributes`.
    provenance : Provenance
    """
    steps = ", ".join(provenance.steps)
    history = (
        f"{provenance.created}: {content} written by percolog {provenance.code_version} from "
        f"store state {provenance.commit} ({provenance.inputs} raw files), site description "
        f"sha256 {provenance.site_hash}, steps: {steps}"
    )
    return {
        "history": history,
        "product_version": provenance.commit,
        "date_created": provenance.created,
        "date_modified": provenance.created,
        "date_metadata_modified": provenance.created,
    }


def duration(seconds: int) -> str:
    """Return a time span as an ISO 8601 duration: ``P1D``, ``PT15M``, ``P30DT23H45M``."""
    days, rest = divmod(seconds, DAY_S)
    hours, rest = divmod(rest, 3600)
    minutes, rest = divmod(rest, 60)
    date = f"{days}D" if days else ""
    parts = ((hours, "H"), (minutes, "M"), (rest, "S"))
    time = "".join(f"{number}{unit}" for number, unit in parts if number)
    if not date and not time:
        return "PT0S"
    return f"P{date}T{time}" if time else f"P{date}"


def instant(seconds: int) -> str:
    """Return a UTC instant as ISO 8601 text."""
    return f"{np.datetime64(seconds, 's')!s}Z"


def is_as_written(site: str, content: str, attributes: Mapping[str, object]) -> bool:
    """Tell whether attributes of a file are as `global_attributes` makes them, not added to.

    Parameters
    ----------
    site : str
        The site's id.
    content : str
        As for `global_attributes`.
    attributes : mapping
        All global attributes of the file.
    """
    names = ("id", "history", "date_created", "product_version")
    identity, history, created, commit = (str(attributes.get(name, "")) for name in names)
    return (
        identity.startswith(f"{site}.{content.replace(' ', '_')}.")
        and history.startswith(f"{created}: {content} written by percolog ")
        and f" from store state {commit} (" in history
        # Programs that change a file add a line of their own.
        and "\n" not in history
    )


def _identity(site: Site, content: str, extent: Extent) -> str:
    start, end = (instant(s).replace(":", "") for s in extent.period_s)
    return f"{site.id}.{content.replace(' ', '_')}.{start}.{end}"


def _description(site: Site) -> dict[str, str | float]:
    delivery = site.delivery
    return {
        "summary": site.summary,
        "keywords": delivery.keywords,
        "license": delivery.license,
        "acknowledgement": delivery.acknowledgement,
        "project": delivery.project,
        "naming_authority": delivery.naming_authority,
        "references": delivery.references,
        "institution": site.institution,
        "standard_name_vocabulary": VOCABULARY,
        "source": (
            f"in-situ soil water sensors at {len(site.depths_m)} depths in "
            f"{len(site.tubes)} access tubes"
        ),
        "platform": "access tubes in the soil",
        "instrument": "soil water profile probes",
    }


def _made(site: Site, content: str, provenance: Provenance) -> dict[str, str | float]:
    comments = (site.delivery.comment, provenance.comment)
    told = state_attributes(content, provenance)
    return {
        "history": told["history"],
        "comment": " ".join(text for text in comments if text),
        "processing_level": "calibrated, quality-controlled, corrections applied",
        **told,
    }


def _people(site: Site) -> dict[str, str | float]:
    return {
        **_contact("creator", site.creator),
        "creator_institution": site.institution,
        **_contact("publisher", site.publisher),
        "publisher_institution": site.institution,
    }


def _contact(role: str, contact: Contact) -> dict[str, str | float]:
    return {
        f"{role}_name": contact.name,
        f"{role}_email": contact.email,
        f"{role}_url": contact.url,
        f"{role}_type": contact.type,
    }


def _space(extent: Extent) -> dict[str, str | float]:
    south, north = float(extent.latitudes.min()), float(extent.latitudes.max())
    west, east = float(extent.longitudes.min()), float(extent.longitudes.max())
    vertical = extent.vertical
    return {
        "geospatial_bounds": _well_known_text(south, north, west, east),
        "geospatial_bounds_crs": "EPSG:4326",
        "geospatial_bounds_vertical_crs": vertical.reference,
        "geospatial_lat_min": south,
        "geospatial_lat_max": north,
        "geospatial_lat_units": "degrees_north",
        "geospatial_lon_min": west,
        "geospatial_lon_max": east,
        "geospatial_lon_units": "degrees_east",
        "geospatial_vertical_min": vertical.lowest_m,
        "geospatial_vertical_max": vertical.highest_m,
        "geospatial_vertical_positive": vertical.positive,
        "geospatial_vertical_units": "m",
    }


def _well_known_text(south: float, north: float, west: float, east: float) -> str:
    """Return the bounding box, latitude first as EPSG:4326 orders its axes."""
    if south == north and west == east:
        return f"POINT ({south} {west})"
    if south == north or west == east:
        return f"LINESTRING ({south} {west}, {north} {east})"
    corners = ((south, west), (south, east), (north, east), (north, west), (south, west))
    return f"POLYGON (({', '.join(f'{y} {x}' for y, x in corners)}))"


def _time(extent: Extent) -> dict[str, str | float]:
    start_s, end_s = extent.period_s
    return {
        "time_coverage_start": instant(start_s),
        "time_coverage_end": instant(end_s),
        "time_coverage_duration": duration(end_s - start_s),
        "time_coverage_resolution": duration(extent.step_s),
    }
