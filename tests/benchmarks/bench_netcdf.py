"""How delivered files are packed: the comparison that chose it, and the speed of writing.

The floor of writing is the NetCDF library given the same values, ready in memory in their
order on disk, with the same compression. Times are of the processor, not of the clock, because
packing is all that counts here.
"""

import time
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr

from pipeline.deliver.encoding import (
    PACKINGS,
    Packing,
    chunk_shape,
    copy_field,
    create_field,
    round_mantissa,
)

STEPS, TUBES, DEPTHS = 52_560, 10, 6  # a year of ten minutes
REPEATS = 3
TARGET = 1.3  # times the floor
NOISE = 8e-4  # m3 m-3, standard deviation of a good sensor

# level, shuffle, bits of mantissa kept, shape of a chunk
CANDIDATES = [
    (0, False, None, "tube"),
    (1, True, None, "tube"),
    (4, True, None, "tube"),
    (9, True, None, "tube"),
    (1, False, None, "tube"),
    (1, True, 15, "tube"),
    (1, True, 12, "tube"),
    (1, False, 12, "tube"),
    (4, True, 12, "tube"),
    (9, True, 12, "tube"),
    (1, True, 9, "tube"),
    (1, True, 12, "sensor"),
    (1, True, 12, "month"),
]
CHUNKS = {
    "tube": (1, STEPS // 2, DEPTHS),
    "sensor": (1, STEPS, 1),
    "month": (1, STEPS // 12, DEPTHS),
}


@pytest.fixture(scope="module")
def water():
    """Return water content (tube, time, depth): wettings that drain, a daily wave, noise."""
    random = np.random.default_rng(1)
    hours = np.arange(STEPS) / 6
    values = np.empty((TUBES, STEPS, DEPTHS), dtype=np.float32)
    for tube in range(TUBES):
        for depth in range(DEPTHS):
            wet = np.zeros(STEPS)
            for start in random.choice(STEPS, 40):
                drained = np.exp(-np.arange(STEPS - start) / 144 / (5 + 10 * depth))
                wet[start:] += random.uniform(0.01, 0.1) * drained
            wave = 0.002 * np.exp(-depth) * np.sin(2 * np.pi * hours / 24)
            noise = random.normal(0, NOISE, STEPS)
            values[tube, :, depth] = 0.12 + 0.02 * depth + np.minimum(wet, 0.3) + wave + noise
    values[random.random(values.shape) < 0.03] = np.nan
    return values


def write_plain(path, values, packing, chunks):
    """Write one variable with nothing but the library."""
    with netCDF4.Dataset(path, "w") as file:
        for name, size in zip(("tube", "time", "depth"), values.shape, strict=True):
            file.createDimension(name, size)
        variable = file.createVariable(
            "x",
            "f4",
            ("tube", "time", "depth"),
            compression="zlib" if packing.level else None,
            complevel=packing.level,
            shuffle=packing.shuffle,
            chunksizes=chunks,
            fill_value=np.float32(np.nan),
        )
        variable.set_auto_maskandscale(False)
        for tube in range(values.shape[0]):
            variable[tube] = values[tube]


def read_plain(path):
    with netCDF4.Dataset(path) as file:
        file["x"].set_auto_maskandscale(False)
        return file["x"][:]


def fastest(function, *arguments):
    """Return the shortest of several times in seconds."""
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        function(*arguments)
        times.append(time.process_time() - start)
    return min(times)


@pytest.mark.benchmark
def test_packings_compared(water, tmp_path, capsys):
    path = tmp_path / "x.nc"
    size_of, error_of = {}, {}
    lines = [
        f"{'level':>5} {'shuffle':>7} {'bits':>4} {'chunk':>6} {'MB':>6} {'ratio':>5} "
        f"{'write MB/s':>10} {'read MB/s':>9} {'largest error':>13}"
    ]
    megabytes = water.nbytes / 1e6
    for candidate in CANDIDATES:
        level, shuffle, bits, shape = candidate
        values = water if bits is None else round_mantissa(water, bits)
        packing = Packing("f4", bits, level, shuffle)
        wrote = fastest(write_plain, path, values, packing, CHUNKS[shape])
        read = fastest(read_plain, path)
        size_of[candidate] = path.stat().st_size / 1e6
        error_of[candidate] = float(np.nanmax(np.abs(read_plain(path) - water)))
        lines.append(
            f"{level:5} {shuffle!s:>7} {bits or 23:4} {shape:>6} {size_of[candidate]:6.2f} "
            f"{megabytes / size_of[candidate]:5.2f} {megabytes / wrote:10.0f} "
            f"{megabytes / read:9.0f} {error_of[candidate]:13.1e}"
        )
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    used = PACKINGS["water_content"]
    chosen = (used.level, used.shuffle, used.bits, "tube")
    assert error_of[chosen] < NOISE / 10
    assert size_of[chosen] < 0.55 * size_of[(1, True, None, "tube")]
    assert size_of[chosen] < 1.15 * size_of[(9, True, 12, "tube")]


@pytest.mark.benchmark
def test_writing_against_the_library(water, tmp_path, capsys):
    packing = PACKINGS["water_content"]
    array = xr.DataArray(
        np.ascontiguousarray(water.transpose(1, 0, 2)), dims=("time", "tube", "depth")
    )
    array.encoding["preferred_chunks"] = {"time": 4032, "tube": 5, "depth": DEPTHS}
    rounded = round_mantissa(water, packing.bits)

    def write_ours(path: Path):
        with netCDF4.Dataset(path, "w") as file:
            for name, size in zip(("tube", "time", "depth"), water.shape, strict=True):
                file.createDimension(name, size)
            variable = create_field(file, "x", ("tube", "time", "depth"), packing)
            copy_field(array, variable, packing)

    chunks = chunk_shape(("tube", "time", "depth"), water.shape)
    ours = fastest(write_ours, tmp_path / "ours.nc")
    floor = fastest(write_plain, tmp_path / "floor.nc", rounded, packing, chunks)
    with capsys.disabled():
        print(
            f"\nwriting {water.nbytes / 1e6:.1f} MB: ours {ours:.2f} s, "
            f"library {floor:.2f} s, ratio {ours / floor:.2f} (target {TARGET})"
        )
    assert read_plain(tmp_path / "ours.nc").tobytes() == rounded.tobytes()
    assert ours < TARGET * floor
