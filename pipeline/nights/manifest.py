"""Which files a site's nights have written, from which state: ``netcdf/delivered.json``."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.deliver.atomic import replacing
from pipeline.deliver.package import DESCRIPTOR, OWN
from pipeline.errors import PercologError
from pipeline.site.models import Site

DELIVERIES = "deliveries"  # below the output: what `pipeline.delivering.numbered` makes
# Names of entries beside those of periods.
ROUNDS, COMPARISON, SPACE = "rounds", "rounds comparison", "space"
_REMOVED, _SITE = "removed", "site"
_MANIFEST = "delivered.json"

Entry = dict[str, Any]


class Manifest:
    """What was written, and from what; files that nothing is left for go as it is noted.

    An entry holds ``state``, what its files depend on; ``files``, from the folder; ``commit``,
    the state of the store they name, if they name one; for a period also ``without``, of what
    kinds nothing was logged in it, so that it has no files of them.

    Parameters
    ----------
    site : Site

    Attributes
    ----------
    lost : bool
        Whether there was no list to go by: it is the first night, or see `adopt`.
    """

    def __init__(self, site: Site) -> None:
        self.folder = site.output / "netcdf"
        self._output = Path(os.path.normpath(site.output))
        known = _read(self.folder)
        self.lost = known is None
        self._known = known or {}
        self._known.pop(_SITE, None)
        self._site = site.id
        # Removed, or to be when a run was stopped, and not yet told of.
        self._gone: list[str] = self._known.pop(_REMOVED, {}).get("gone", [])

    def adopt(self, found: Mapping[str, Sequence[Path]]) -> None:
        """Enter files of periods found where the list was lost, to be written again or go."""
        for name, paths in found.items():
            self._known[name] = {"files": [path.name for path in paths]}

    def entry(self, name: str) -> Entry:
        """Return what is known under a name, empty where nothing is."""
        return self._known.get(name, {})

    def is_up_to_date(self, name: str, state: Sequence[str | int]) -> bool:
        """Tell whether files were written from this very state and are still there."""
        entry = self.entry(name)
        there = all((self.folder / file).exists() for file in entry.get("files", []))
        return entry.get("state") == state and there

    def note(self, name: str, files: Sequence[Path], **entry: Any) -> None:
        """Enter the files just written under a name; remove those it had and has no more."""
        names = [Path(os.path.relpath(path, self.folder)).as_posix() for path in files]
        before = self.entry(name).get("files", [])
        self._known[name] = {**entry, "files": names}
        self._remove(before)

    def keep_only(self, names: Iterable[str]) -> None:
        """Forget periods of other names than these, and remove their files."""
        gone = set(self._known) - {ROUNDS, COMPARISON, SPACE, *names}
        left = [self._known.pop(name) for name in sorted(gone)]
        before = [file for entry in left for file in entry.get("files", [])]
        if gone:
            self._remove(before)

    def take_removed(self) -> list[Path]:
        """Return the files removed since this was last asked, also by nights that failed."""
        taken = self._gone
        if taken:
            self._remove([])  # a run that was stopped may have left some of them
            self._gone = []
            self._write()
        return [self._path(file) for file in taken]

    def _remove(self, files: Iterable[str]) -> None:
        """Write the list, then remove files below the output that no entry names.

        In this order, so that the next run removes and tells what one that ends here left.
        """
        named = {file for entry in self._known.values() for file in entry.get("files", [])}
        there = [file for file in files if self._path(file).exists()]
        self._gone = [
            file
            for file in dict.fromkeys([*self._gone, *there])
            if file not in named and self._path(file).is_relative_to(self._output)
        ]
        self._write()
        for file in self._gone:
            self._path(file).unlink(missing_ok=True)

    def _path(self, file: str) -> Path:
        return Path(os.path.normpath(self.folder / file))

    def _write(self) -> None:
        gone = {_REMOVED: {"gone": self._gone}} if self._gone else {}
        whose = {_SITE: {"id": self._site}}
        text = json.dumps(self._known | gone | whose, indent=1, sort_keys=True) + "\n"
        with replacing(self.folder / _MANIFEST) as temporary:
            temporary.write_text(text, encoding="utf-8")


def _read(folder: Path) -> dict[str, Entry] | None:
    try:
        text = (folder / _MANIFEST).read_text(encoding="utf-8")
        found: dict[str, Entry] = json.loads(text)
    except (FileNotFoundError, ValueError):  # lost or damaged: everything is written again
        return None
    entries = found.values() if isinstance(found, dict) else [None]
    return found if all(isinstance(entry, dict) for entry in entries) else None


def require_own_output(site: Site) -> None:
    """Refuse an output folder in which another site's nights keep their files.

    Each would take the other's for its own that nothing is left for, and remove them. An
    output that cannot be read is no reason to store nothing: the delivery will tell.

    Raises
    ------
    PercologError
    """
    folder = site.output / "netcdf"
    try:
        owner = (_read(folder) or {}).get(_SITE, {}).get("id", site.id)
    except OSError:
        return
    if owner != site.id:
        raise PercologError(
            f"{folder / _MANIFEST}: expected the list of site {site.id!r}, found that of "
            f"{owner!r}; give each site an output folder of its own (key 'output' in [site]), "
            f"or, if this one has got another id, move the old folder away"
        )


def delivered_states(site: Site) -> set[str]:
    """Return the states of the store that delivered files and revisions were made from.

    Raises
    ------
    PercologError
        If a revision no longer tells its state: nothing may be thinned out on a guess.
    """
    known = _read(site.output / "netcdf") or {}
    named = {entry["commit"] for entry in known.values() if "commit" in entry}
    for path in sorted((site.output / DELIVERIES).glob(f"*/r[0-9]*/{DESCRIPTOR}")):
        try:
            named.add(json.loads(path.read_text(encoding="utf-8"))[OWN]["state"])
        except (ValueError, KeyError, TypeError) as error:
            raise PercologError(
                f"{path}: expected the state that the revision was made from, found none "
                f"({error!r}); put the file back from a copy, or remove the revision"
            ) from error
    return named
