"""Delivered files that are kept when another takes their place, and what is told of them.

A night writes its files anew at will, since the store can tell again what stood in them. Two
kinds it cannot: files made from a state that the store does not have, because it was taken
back from a backup or made anew, and files that somebody changed. They may be the last copy of
what is in them. So they are kept aside before; the first kind goes again where the new file
has every value that the old one had.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.deliver.content import file_digest
from pipeline.deliver.lost_values import lost_values
from pipeline.errors import Problem, SetAside

FOLDER = "kept"  # below the output
_DIGITS = 12


class KeptFiles:
    """Files kept aside in ``kept`` of a site's output, until it is told what they are.

    Parameters
    ----------
    output : Path
        The site's output.
    noted : dict
        As `noted` gave it to the list of delivered files.
    """

    def __init__(self, output: Path, noted: dict[str, Any]) -> None:
        self._output = output
        self._waiting: dict[str, dict[str, str]] = noted.get("waiting", {})
        self._told: list[SetAside] = noted.get("told", [])

    def noted(self) -> dict[str, object]:
        """Return what is to be kept in the list of delivered files; empty for nothing."""
        if not self._waiting and not self._told:
            return {}
        return {"waiting": self._waiting, "told": self._told}

    def await_one(self, path: Path, commit: str, changed: bool) -> Path:
        """Enter a file that is to be kept; return where it will be, the same if asked again.

        Parameters
        ----------
        path : Path
        commit : str
            The state it was made from, empty where nobody knows.
        changed : bool
            Whether it is to be kept because somebody changed it.
        """
        name = f"{path.stem}.{file_digest(path)[:_DIGITS]}{path.suffix}"
        why = {"changed": "yes"} if changed else {}
        file = Path(os.path.relpath(path, self._output)).as_posix()
        self._waiting.setdefault(name, {"file": file, "commit": commit, **why})
        return self._output / FOLDER / name

    def compare(self) -> None:
        """Hold each file kept to what has taken its place; forget those that tell no more."""
        for name, about in sorted(self._waiting.items()):
            old, new = self._output / FOLDER / name, self._output / about["file"]
            problem = _problem(old, new, about)
            if problem is None:
                old.unlink(missing_ok=True)
            else:
                self._told.append({**problem.as_dict(), "count": 1})
        self._waiting = {}

    def take_told(self) -> list[SetAside]:
        """Return what is to be told, once."""
        told, self._told = self._told, []
        return told


def keep(path: Path, kept: Path) -> None:
    """Let a file's content stay under another name when its own is given to another."""
    kept.parent.mkdir(parents=True, exist_ok=True)
    if kept.exists():
        return
    try:
        os.link(path, kept)
    except OSError:  # a file system without links
        shutil.copy2(path, kept)


def _problem(old: Path, new: Path, about: dict[str, str]) -> Problem | None:
    """Return what is to be told of a file that was kept; None if nothing."""
    if not old.exists():  # the run was stopped before it was kept, and the file with it
        return None
    if "changed" in about:
        return Problem(
            str(new),
            "",
            "other bytes than a night wrote",
            "the file as it was written",
            f"What was found is kept as {old}. Edit copies elsewhere: the files of the output "
            f"are written anew when anything of them changes.",
        )
    state = f"state {about['commit']}" if about["commit"] else "a state nobody knows"
    problem = Problem(
        str(new),
        "",
        "",
        f"what was delivered from {state}, which the store does not have: it was taken back "
        f"from a backup or made anew",
        f"Put the raw files of those days back, if there are any, and the next night reads "
        f"them. The file as it was is kept as {old}.",
    )
    try:
        lost = lost_values(old, new)
    except (OSError, ValueError, KeyError) as error:
        return replace(problem, found=f"one that cannot be compared with it ({error})")
    if not lost:
        return None
    told = "; ".join(map(str, lost))
    return replace(problem, found=f"values gone that the file held: {told}")
