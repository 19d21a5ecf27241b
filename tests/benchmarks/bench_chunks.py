"""How long and how wide a chunk of the store should be: the measurement behind `cubes`.

Fifty tubes at six depths and ten minutes. For each shape: the seconds to store one more day
after a year and a half, what that day adds to the store, and how much cheaper it is to write
one tube's whole record than everybody's. Short and wide chunks make cheap nights and dear
corrections of one tube, long and narrow ones the reverse.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from pipeline.axis import TimeAxis
from pipeline.store import state
from pipeline.store.cubes import CHUNK_DAYS, CHUNK_TUBES, SPECS
from pipeline.store.site_store import SiteStore

pytestmark = pytest.mark.benchmark
AXIS = TimeAxis(origin_s=0, interval_s=600)
TUBES, DEPTHS_M, DAYS = 50, [0.1, 0.2, 0.3, 0.4, 0.6, 1.0], 546
SHAPES = [(7, 50), (14, 10), (28, 10), (28, 5), (56, 5), (28, 2), (91, 1)]
KEYS = (
    "readings/voltage",
    "readings/voltage_file",
    "readings/voltage_line",
    "readings/voltage_offset_s",
    "water/calibrated_water_content",
    "water/random_error",
    "water/systematic_error",
    "water/tests",
    "water/quality",
    "water/cleaned_water_content",
)


def make_values(key: str, steps: int, tubes: int) -> np.ndarray:
    """Return values that compress about as well as real ones."""
    spec, shape = SPECS[key], (steps, tubes, len(DEPTHS_M))
    random = np.random.default_rng(len(key))
    if key.endswith("_line"):
        return np.broadcast_to(np.arange(steps)[:, None, None], shape).astype(spec.dtype)
    if spec.dtype == "float32":
        wave = 0.3 + 0.05 * np.sin(np.arange(steps) / 400)[:, None, None]
        return (wave + random.normal(0, 8e-4, shape)).astype(np.float32)
    return np.full(shape, 1 if key.startswith("water") else 123_456, dtype=spec.dtype)


def size_of(folder: Path) -> float:
    """Return the megabytes of a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def write_all(store: SiteStore, first: int, days: int, columns: slice) -> float:
    """Write some days of some tubes in one commit; return the seconds."""
    tubes = len(range(TUBES)[columns])
    steps = days * AXIS.steps_per_day
    values = {key: make_values(key, steps, tubes) for key in KEYS}
    begin = time.perf_counter()
    with store.write() as writer:
        writer.extend((first + days) * AXIS.steps_per_day)
        for key, array in values.items():
            writer.write(key, first * AXIS.steps_per_day, array, columns)
        writer.commit("measured", {})
    return time.perf_counter() - begin


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: f"{shape[0]} days x {shape[1]}")
def test_cost_of_a_chunk_shape(tmp_path, monkeypatch, shape):
    monkeypatch.setattr(state, "CHUNK_DAYS", shape[0])
    monkeypatch.setattr(state, "CHUNK_TUBES", shape[1])
    store = SiteStore(str(tmp_path / "store"), AXIS, "bench")
    with store.write() as writer:
        writer.widen("tube", [f"T{i}" for i in range(TUBES)])
        writer.widen("depth", DEPTHS_M)
        for key in KEYS:
            writer.ensure(key)
        writer.commit("empty", {})
    everything = sum(
        write_all(store, first, 91, slice(0, TUBES)) for first in range(0, DAYS, 91)
    )
    before = size_of(tmp_path)
    nights = [write_all(store, DAYS + k, 1, slice(0, TUBES)) for k in range(3)]
    growth = (size_of(tmp_path) - before) / 3
    one_tube = write_all(store, 0, DAYS, slice(7, 8))
    mark = " <- chosen" if shape == (CHUNK_DAYS, CHUNK_TUBES) else ""
    print(
        f"\n{shape[0]:3d} days x {shape[1]:2d} tubes: night {np.median(nights):.2f} s and "
        f"{growth:.1f} MB, all {everything:.1f} s, one tube {one_tube:.2f} s "
        f"(1/{everything / one_tube:.0f}){mark}"
    )
    assert store.read().days == DAYS + 3
