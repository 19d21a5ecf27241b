"""The revisions of deliveries on the disk: which is the newest, and are they as delivered.

They are read-only, but folders are tidied up by hand, and disks lose bits. Therefore the last
number given is kept beside a delivery's folder: a number stands for one revision for ever.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pipeline.deliver.atomic import replacing
from pipeline.deliver.content import file_digest
from pipeline.deliver.package import DESCRIPTOR, OWN
from pipeline.errors import PercologError, Problem
from pipeline.locks import held
from pipeline.nights.manifest import DELIVERIES
from pipeline.site.models import Site

_NAME = re.compile(r"r(\d+)")
_ADVICE = "Put the file back from a copy, or move the revision's folder away"


def newest_revision(home: Path) -> tuple[Path, dict[str, object]] | None:
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


@contextmanager
def sole_delivery(home: Path) -> Iterator[None]:
    """Make a delivery's folder and hold it, so that of two runs the second sees the first's.

    Raises
    ------
    LockedError
    """
    home.mkdir(parents=True, exist_ok=True)
    with held(
        home.with_name(f".{home.name}.lock"), f"{home}: another run is delivering to it"
    ):
        yield


def last_number(home: Path) -> int:
    """Return the highest number that a revision of a delivery ever had, 0 for none."""
    numbers = [int(match[1]) for _, match in _revisions(home)]
    try:
        numbers.append(int(_noted(home).read_text(encoding="ascii")))
    except (FileNotFoundError, ValueError):  # made by an older version, or damaged
        pass
    return max(numbers, default=0)


def note_number(home: Path) -> None:
    """Keep the highest number given, whatever becomes of the revisions."""
    text = f"{last_number(home)}\n"
    with replacing(_noted(home)) as temporary:
        temporary.write_text(text, encoding="ascii")


def _noted(home: Path) -> Path:
    return home.with_name(f".{home.name}.number")


def require_whole(revision: Path, descriptor: dict[str, object]) -> None:
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


def _descriptor(revision: Path) -> dict[str, object]:
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
