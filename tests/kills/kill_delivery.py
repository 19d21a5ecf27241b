"""Kills the making of a numbered revision at random instants and looks at what is left.

A round copies a site with one revision and a night behind it, starts `percolog deliver`, kills
it without warning, and then asks:

- is the revision before as it was, byte for byte;
- is the new one there whole, or not at all;
- does asking again end with the very bytes of one that was never killed, and nothing beside.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from pathlib import Path

from kill import LONGER, SHORTER, Nursery, Outcome, bring, leftovers

SITE = Path(__file__).parent.parent / "site" / "field"
FIRST, SECOND = "r0001", "r0002"


class DeliveryKiller:
    """Prepares the site once; each round spoils a copy."""

    def __init__(self, work: Path, seed: int) -> None:
        self.work, self.chance = work, random.Random(seed)
        self.base, whole = work / "base", work / "whole"
        shutil.copytree(SITE, self.base)
        (self.base / "data").mkdir()
        bring(self.base, 10)
        self.nights, self.deliveries = Nursery(self.base), Nursery(self.base, "deliver")
        self._whole_run(self.nights, self.base)
        self._whole_run(self.deliveries, self.base)
        bring(self.base, 11)
        self._whole_run(self.nights, self.base)
        self.first = revisions_of(self.base)
        shutil.copytree(self.base, whole)
        began = time.monotonic()
        self._whole_run(self.deliveries, whole)
        self.seconds = time.monotonic() - began
        self.both = revisions_of(whole)
        if set(self.first) != {FIRST} or set(self.both) != {FIRST, SECOND}:
            raise RuntimeError(f"expected two revisions, found {sorted(self.both)}")

    def run(self, rounds: int) -> Outcome:
        outcome = Outcome()
        for number in range(rounds):
            self._round(number, outcome)
        self.nights.end()
        self.deliveries.end()
        return outcome

    def _round(self, number: int, outcome: Outcome) -> None:
        folder = self.work / f"round-{number}"
        shutil.copytree(self.base, folder)
        delay = self.chance.uniform(0, 1.05 * self.seconds)
        child = self.deliveries.begin(folder)
        time.sleep(delay)
        os.kill(child, signal.SIGKILL)
        outcome.rounds += 1
        over = self.deliveries.wait() == 0
        outcome.finished += over
        self.seconds *= SHORTER if over else LONGER
        faults = [f"after {delay:.3f} s: {told}" for told in self._look(folder, outcome)]
        outcome.faults += faults
        if not faults:
            remove(folder)

    def _look(self, folder: Path, outcome: Outcome) -> list[str]:
        faults = []
        left = revisions_of(folder)
        if left == self.first:
            outcome.states["before"] += 1
        elif left == self.both:
            outcome.states["after"] += 1
        else:
            faults.append(f"killed: revisions {sorted(left)}, or one of them, are not whole")
        self.deliveries.begin(folder)
        if self.deliveries.wait() != 0:
            return [*faults, "the delivery started again failed"]
        if revisions_of(folder) != self.both:
            faults.append("again: other bytes than those of a delivery nobody killed")
        return faults + [f"left behind: {path}" for path in leftovers(folder)]

    @staticmethod
    def _whole_run(nursery: Nursery, folder: Path) -> None:
        nursery.begin(folder)
        if nursery.wait() != 0:
            raise RuntimeError("a run that nobody killed failed")


def revisions_of(folder: Path) -> dict[str, dict[str, bytes]]:
    """Return every file of every revision, by revision and path."""
    found: dict[str, dict[str, bytes]] = {}
    for path in (folder / "out" / "deliveries").glob("*/r*/**/*"):
        if path.is_file():
            revision = next(part for part in path.parts if part in (FIRST, SECOND))
            found.setdefault(revision, {})[path.as_posix().partition(revision)[2]] = (
                path.read_bytes()
            )
    return found


def remove(folder: Path) -> None:
    """Take a round's folder away; a revision's own folders can only be read."""
    for path in [folder, *folder.rglob("*")]:
        if path.is_dir():
            path.chmod(0o755)
    shutil.rmtree(folder)
