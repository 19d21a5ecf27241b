"""Which files in a folder percolog's own nights have written, told by the files themselves.

For where the list of them was lost. Name and global attributes must both be as a night writes
them, and the state they name one of the store's: a file of another site or program, one edited
since, or one of a store that is no more, which may be the last copy, is not told.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path

import netCDF4

from pipeline.deliver.metadata import is_as_written
from pipeline.site.models import Site

# What each end of a name stands for; see `pipeline.deliver.netcdf`.
_CONTENTS = {
    "": "soil water",
    "_weather": "weather",
    "_daily": "daily soil water",
    "_daily_weather": "daily weather",
}


def period_files(site: Site, period: str, folder: Path) -> list[Path]:
    """Return all files that a period may have."""
    return [folder / f"{site.id}_{period}{end}.nc" for end in _CONTENTS]


def own_files(site: Site, folder: Path, states: Collection[str]) -> dict[str, list[Path]]:
    """Return the files of periods that nights of a site have certainly written, by period.

    Parameters
    ----------
    site : Site
    folder : Path
        Where its nights write them; need not exist.
    states : collection of str
        All states that its store ever had.
    """
    period, end = r"(all|\d{4}(?:-\d\d)?)", f"({'|'.join(_CONTENTS)})"
    name = re.compile(rf"{re.escape(site.id)}_{period}{end}\.nc")
    found: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("*.nc")):
        match = name.fullmatch(path.name)
        if not match or path.is_symlink():
            continue
        attributes = _attributes(path)
        of_store = str(attributes.get("product_version")) in states
        if of_store and is_as_written(site.id, _CONTENTS[match[2]], attributes):
            found.setdefault(match[1], []).append(path)
    return found


def _attributes(path: Path) -> dict[str, object]:
    """Return the global attributes of a file; none of one that cannot be read."""
    try:
        with netCDF4.Dataset(path) as file:
            return {name: file.getncattr(name) for name in file.ncattrs()}
    except OSError:
        return {}
