"""Which files in a folder percolog's own nights have written, told by the files themselves.

For where the list of them was lost. Name and global attributes must both be as a night writes
them: a file of another site, of another program, or one that was edited since is not told.
"""

from __future__ import annotations

import re
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


def own_files(site: Site, folder: Path) -> dict[str, list[Path]]:
    """Return the files of periods that nights of a site have certainly written, by period.

    Parameters
    ----------
    site : Site
    folder : Path
        Where its nights write them; need not exist.
    """
    period, end = r"(all|\d{4}(?:-\d\d)?)", f"({'|'.join(_CONTENTS)})"
    name = re.compile(rf"{re.escape(site.id)}_{period}{end}\.nc")
    found: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("*.nc")):
        match = name.fullmatch(path.name)
        if match and not path.is_symlink() and _is_own(path, site.id, _CONTENTS[match[2]]):
            found.setdefault(match[1], []).append(path)
    return found


def _is_own(path: Path, site: str, content: str) -> bool:
    try:
        with netCDF4.Dataset(path) as file:
            return is_as_written(site, content, {n: file.getncattr(n) for n in file.ncattrs()})
    except OSError:  # damaged, or no NetCDF at all: nobody knows whose it is
        return False
