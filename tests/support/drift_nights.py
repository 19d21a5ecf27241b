"""What tests of drift through whole nights share: visits, and states held to another."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.nights import night
from pipeline.store.cubes import SPECS
from pipeline.store.state import Snapshot

HEAD = "time,tube,source,action,depth_cm,value,unit,reading,uncertainty,note,who\n"
INSTALLED = "2023-03-02T10:00,T2,,installation,,,,,,augered by hand,AK\n"


def snapshot_of(folder: Path) -> Snapshot:
    """Return the newest state of a site."""
    return night.site_store(night.open_description(folder)).read()


def assert_same(found: Snapshot, expected: Snapshot) -> None:
    """Hold the arrays of two states to each other, and what is told of drift."""
    for key in SPECS:
        assert found.holds(key) == expected.holds(key)
        if found.holds(key) and not key.endswith("_file"):  # ids follow the order of arrival
            np.testing.assert_array_equal(
                found.array(key)[:], expected.array(key)[:], err_msg=key
            )
    for name in ("corrections", "drift_checks", "check_readings", "rules"):
        tables = [t for t in (found.table(name), expected.table(name)) if t is not None]
        # One that was emptied is as good as none.
        # As data frames, in which what is missing equals what is missing.
        frames = [table.to_pandas() for table in tables]
        assert all(frame.equals(frames[0]) for frame in frames), name
        assert len(frames) != 1 or frames[0].empty, name
