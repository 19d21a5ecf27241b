"""The files of a period: their names, which are our own, and letting them tell another state.

Which files of a folder percolog's own nights have written is told by the files themselves, for
where the list of them was lost. Name and global attributes must both be as a night writes
them, and the state they name one of the store's: a file of another site or program, one edited
since, or one of a store that is no more, which may be the last copy, is not told.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Collection
from pathlib import Path

import netCDF4

from pipeline.deliver.atomic import replacing
from pipeline.deliver.coordinates import change_verdicts, set_attributes
from pipeline.deliver.metadata import Provenance, is_as_written, state_attributes
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


def restate(site: Site, period: str, path: Path, provenance: Provenance) -> None:
    """Let a period's file tell of a later state, in which only verdicts on tubes are others.

    The values stay as they were packed; the verdicts and what names the state are written
    anew, beside the file, which is then replaced in one piece. The file says what one made
    from that state says.

    Parameters
    ----------
    site : Site
    period : str
    path : Path
        One of `period_files`, as a night wrote it.
    provenance : Provenance
        Of the later state; of the same description and code.

    Raises
    ------
    OSError
    """
    content = _CONTENTS[path.stem.removeprefix(f"{site.id}_{period}")]
    with replacing(path) as temporary:
        shutil.copyfile(path, temporary)
        with netCDF4.Dataset(temporary, "r+") as file:
            set_attributes(file, state_attributes(content, provenance))
            change_verdicts(file, dict(provenance.verdicts))


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
