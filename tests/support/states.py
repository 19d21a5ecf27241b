"""Two states of a site held against each other cell by cell, by label."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.nights import night
from pipeline.store.cubes import SPECS
from pipeline.store.state import Snapshot

# What tells of the nights themselves, not of results.
OF_NIGHTS = {"day_nights", "description", "thinned", "undone_description"}


def newest(folder: Path) -> Snapshot:
    """Return the newest state of a site."""
    return night.site_store(night.open_description(folder)).read()


def assert_same_results(found: Snapshot, expected: Snapshot) -> None:
    """Hold every array and table to another state's, bit for bit, in whatever order of labels.

    Labels that only ``found`` has belong to what was once described; they must be empty.
    """
    assert found.steps == expected.steps
    for key, spec in SPECS.items():
        if not expected.holds(key):
            continue
        ours, theirs = found.array(key)[:], expected.array(key)[:]
        for axis, dim in enumerate(spec.dims[1:], start=1):
            labels = found.labels[dim]
            extra = [at for at, x in enumerate(labels) if x not in expected.labels[dim]]
            left = np.take(ours, extra, axis=axis)
            np.testing.assert_array_equal(left, spec.empty(left.shape), err_msg=key)
            order = [labels.index(label) for label in expected.labels[dim]]
            ours = np.take(ours, order, axis=axis)
        np.testing.assert_array_equal(ours, theirs, err_msg=key)
        assert ours.dtype == theirs.dtype
    for name in sorted(set(expected.tables()) - OF_NIGHTS):
        pd.testing.assert_frame_equal(_table(found, name), _table(expected, name), obj=name)


def assert_same_state(found: Snapshot, expected: Snapshot) -> None:
    """Hold a state to another one of the same store: every array and table, bit for bit."""
    assert found.labels == expected.labels
    assert found.tables() == expected.tables()
    for key in SPECS:
        assert found.holds(key) == expected.holds(key)
        if expected.holds(key):
            ours, theirs = found.array(key)[:], expected.array(key)[:]
            assert ours.tobytes() == theirs.tobytes(), key
    for name in expected.tables():
        assert found.table(name).equals(expected.table(name)), name


def _table(state: Snapshot, name: str) -> pd.DataFrame:
    table = state.table(name)
    rows = pd.DataFrame() if table is None else table.to_pandas()
    return rows.drop(columns=["modified_ns"], errors="ignore")
