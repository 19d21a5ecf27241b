"""The revisions of deliveries on the disk: which is the newest, and are they as delivered.

They are read-only, but folders are tidied up by hand, and disks lose bits.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.deliver.content import file_digest
from pipeline.deliver.package import DESCRIPTOR, OWN
from pipeline.errors import PercologError, Problem
from pipeline.nights.manifest import DELIVERIES
from pipeline.site.models import Site

_NAME = re.compile(r"r(\d+)")
_ADVICE = "Put the file back from a copy, or move the revision's folder away"


def newest_revision(home: Path) -> tuple[Path, dict[str, Any]] | None:
    """Return the folder of a delivery's newest revision and its descriptor, if there is one.

    Raises
    ------
    PercologError
        If the descriptor is lost or damaged: what the next revision changes could not be told.
    """
    found = [(int(match[1]), path) for path, match in _revisions(home)]
    if not found:
        return None
    newest = max(found)[1]
    return newest, _descriptor(newest)


def require_whole(revision: Path, descriptor: dict[str, Any]) -> None:
    """Refuse to go by a revision whose files are not as delivered.

    Raises
    ------
    PercologError
        Naming the first file.
    """
    for problem in _spoilt(revision, descriptor):
        raise PercologError(str(problem))


def revision_problems(site: Site) -> Iterator[Problem]:
    """Yield what is amiss with the revisions below a site's output: files lost or changed."""
    for home in sorted((site.output / DELIVERIES).glob("*")):
        for revision, _ in _revisions(home):
            try:
                yield from _spoilt(revision, _descriptor(revision))
            except PercologError as error:
                expected = "a revision's list of files"
                yield Problem(str(revision / DESCRIPTOR), "", str(error), expected, _ADVICE)


def _revisions(home: Path) -> list[tuple[Path, re.Match[str]]]:
    named = ((path, _NAME.fullmatch(path.name)) for path in sorted(home.glob("r*")))
    return [(path, match) for path, match in named if match and path.is_dir()]


def _descriptor(revision: Path) -> dict[str, Any]:
    path = revision / DESCRIPTOR
    try:
        found: dict[str, Any] = json.loads(path.read_bytes())
        complete = all("content" in entry for entry in found["resources"]) and OWN in found
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise PercologError(_lost(path, f"one that cannot be read ({error})")) from error
    if not complete:
        raise PercologError(_lost(path, "one that lacks parts"))
    return found


def _lost(path: Path, found: str) -> str:
    return f"{path}: expected the list of the revision's files, found {found}. {_ADVICE}"


def _spoilt(revision: Path, descriptor: dict[str, Any]) -> Iterator[Problem]:
    for entry in descriptor["resources"]:
        path = revision / entry["path"]
        try:
            found = f"sha256:{file_digest(path)}"
        except OSError as error:
            found = f"one that cannot be read ({error.strerror})"
        if found != entry["hash"]:
            told = found if found.startswith("one") else "other bytes"
            yield Problem(str(path), "", told, "the file as it was delivered", _ADVICE + ".")
