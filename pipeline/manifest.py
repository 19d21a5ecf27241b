"""Which files a site's nights have written, from which state: ``netcdf/delivered.json``."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pipeline.deliver.atomic import replacing
from pipeline.deliver.package import DESCRIPTOR, OWN
from pipeline.errors import PercologError
from pipeline.site.models import Site

DELIVERIES = "deliveries"  # below the output: what `pipeline.delivering` makes
# Names of entries beside those of periods.
ROUNDS, COMPARISON, SPACE = "rounds", "rounds comparison", "space"
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
    removed : list of Path
        The files removed since it was opened.
    """

    def __init__(self, site: Site) -> None:
        self.folder = site.output / "netcdf"
        self._output = Path(os.path.normpath(site.output))
        self._known = _read(self.folder)
        self.removed: list[Path] = []

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
        self._write()

    def keep_only(self, names: Iterable[str]) -> None:
        """Forget periods of other names than these, and remove their files."""
        gone = set(self._known) - {ROUNDS, COMPARISON, SPACE, *names}
        before = [file for name in sorted(gone) for file in self._known.pop(name)["files"]]
        if gone:
            self._remove(before)
            self._write()

    def _remove(self, files: Iterable[str]) -> None:
        """Remove files below the output that no entry names."""
        named = {file for entry in self._known.values() for file in entry.get("files", [])}
        for file in files:
            path = Path(os.path.normpath(self.folder / file))
            if file not in named and path.is_relative_to(self._output) and path.exists():
                path.unlink()
                self.removed.append(path)

    def _write(self) -> None:
        text = json.dumps(self._known, indent=1, sort_keys=True) + "\n"
        with replacing(self.folder / _MANIFEST) as temporary:
            temporary.write_text(text, encoding="utf-8")


def _read(folder: Path) -> dict[str, Entry]:
    try:
        text = (folder / _MANIFEST).read_text(encoding="utf-8")
        found: dict[str, Entry] = json.loads(text)
    except (FileNotFoundError, ValueError):  # lost or damaged: everything is written again
        return {}
    return found


def delivered_states(site: Site) -> set[str]:
    """Return the states of the store that delivered files and revisions were made from.

    Raises
    ------
    PercologError
        If a revision no longer tells its state: nothing may be thinned out on a guess.
    """
    known = _read(site.output / "netcdf")
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
