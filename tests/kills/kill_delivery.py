"""Kills the making of a numbered revision at random instants and looks at what is left.

A round copies a site with one revision and a night behind it, starts `percolog deliver`, kills
it without warning, and then asks:

- is the revision before as it was, byte for byte;
- is the new one there whole, or not at all;
- does asking again end with the very bytes of one that was never killed, and nothing beside.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from kill import Outcome, Rounds, bring, leftovers

FIRST, SECOND = "r0001", "r0002"


class DeliveryKiller(Rounds):
    """Kills deliveries."""

    def __init__(self, work: Path, seed: int) -> None:
        super().__init__(work, seed, "deliver")
        self.nursery.run(self.base, "plain")  # a night
        self.nursery.run(self.base)
        bring(self.base, 11)
        self.nursery.run(self.base, "plain")
        self.first = revisions_of(self.base)
        shutil.copytree(self.base, self.whole)
        self.seconds = self.nursery.run(self.whole)
        self.both = revisions_of(self.whole)
        if set(self.first) != {FIRST} or set(self.both) != {FIRST, SECOND}:
            raise RuntimeError(f"expected two revisions, found {sorted(self.both)}")

    def _look(self, folder: Path, outcome: Outcome) -> list[str]:
        faults = []
        left = revisions_of(folder)
        if left == self.first:
            outcome.states["before"] += 1
        elif left == self.both:
            outcome.states["after"] += 1
        else:
            faults.append(f"killed: revisions {sorted(left)}, or one of them, are not whole")
        self.nursery.begin(folder)
        if self.nursery.wait() != 0:
            return [*faults, "the delivery started again failed"]
        if revisions_of(folder) != self.both:
            faults.append("again: other bytes than those of a delivery nobody killed")
        return faults + [f"left behind: {path}" for path in leftovers(folder)]


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
