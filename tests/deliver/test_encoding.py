"""Rounding, chunks and characters on disk."""

import netCDF4
import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from pipeline.deliver import encoding
from pipeline.deliver.encoding import (
    PACKINGS,
    Packing,
    chunk_shape,
    copy_field,
    create_field,
    create_text,
    round_mantissa,
)

finite = hnp.arrays(
    np.float32,
    st.integers(1, 50),
    elements=st.floats(-(2.0**100), 2.0**100, width=32, allow_subnormal=False),
)


@pytest.mark.parametrize(
    ("value", "bits", "expected"),
    [
        # by hand: 1.0110|1 in binary keeps 1.0110 or goes to 1.0111; the tail is half a
        # unit, so it goes to the even one
        (1 + 1 / 4 + 1 / 8 + 1 / 32, 4, 1 + 1 / 4 + 1 / 8),
        (1 + 1 / 16 + 1 / 32, 4, 1 + 1 / 8),
        (1 + 1 / 16 + 1 / 32 + 1 / 64, 4, 1 + 1 / 8),
        (1.999999, 4, 2.0),
        (-1.999999, 4, -2.0),
        (0.0, 4, 0.0),
    ],
)
def test_halves_go_to_the_even_neighbour(value, bits, expected):
    assert round_mantissa(np.array([value], np.float32), bits)[0] == np.float32(expected)


def test_missing_and_infinite_values_stay_so():
    odd_nan = np.array([0x7FFFFFFF, 0xFFFFFFFF], np.uint32).view(np.float32)
    values = np.concatenate([odd_nan, np.array([np.nan, np.inf, -np.inf], np.float32)])
    rounded = round_mantissa(values, 12)
    assert np.isnan(rounded[:3]).all()
    assert len({x.tobytes() for x in rounded[:3]}) == 1  # one NaN: the same bytes each time
    assert rounded[3:].tolist() == [np.inf, -np.inf]


@given(values=finite, bits=st.integers(1, 22))
def test_rounding_stays_within_half_a_unit_and_is_idempotent(values, bits):
    rounded = round_mantissa(values, bits)
    unit = 2.0 ** (np.floor(np.log2(np.maximum(np.abs(values), 1e-37))) - bits)
    assert (np.abs(rounded.astype(float) - values) <= unit / 2).all()
    assert round_mantissa(rounded, bits).tobytes() == rounded.tobytes()
    tail = np.uint32((1 << (23 - bits)) - 1)
    assert not (rounded.view(np.uint32) & tail).any()


def test_rounding_equals_that_of_the_netcdf_library(tmp_path):
    # reference code: BitRound of the netCDF-C library that netCDF4 is built with
    values = np.random.default_rng(1).uniform(0, 0.6, 5000).astype(np.float32)
    halfway = values.view(np.uint32) & np.uint32(2047) == 1024
    values[halfway] = 0.3  # the library rounds exact halves up, we to even
    with netCDF4.Dataset(tmp_path / "reference.nc", "w") as file:
        file.createDimension("x", values.size)
        variable = file.createVariable(
            "x",
            "f4",
            ("x",),
            compression="zlib",
            significant_digits=12,
            quantize_mode="BitRound",
        )
        variable[:] = values
    with netCDF4.Dataset(tmp_path / "reference.nc") as file:
        expected = file["x"][:].filled()
    assert round_mantissa(values, 12).tobytes() == expected.tobytes()


@pytest.mark.parametrize(
    ("kind", "top", "largest"),
    [
        # by hand: half of 2**(exponent - bits); a probe's noise is about 0.001 m3 m-3, a
        # layer's random error about 1 mm, a thermometer's resolution 0.01 degC or worse
        ("water_content", 0.5, 3.1e-5),
        ("storage", 512.0, 0.0040),
        ("logged", 64.0, 0.0040),
    ],
)
def test_rounding_is_far_below_the_random_error(kind, top, largest):
    values = np.linspace(top / 2, top, 100_001, dtype=np.float32)[:-1]
    moved = np.abs(round_mantissa(values, PACKINGS[kind].bits) - values).max()
    assert largest / 2 < moved <= largest


def test_chunk_is_one_tube_with_all_depths():
    assert chunk_shape(("tube", "time", "depth"), (50, 2976, 6)) == (1, 2976, 6)
    assert chunk_shape(("tube", "layer", "time"), (50, 3, 2976)) == (1, 3, 2976)
    assert chunk_shape(("station", "time"), (2, 2976)) == (1, 2976)
    long = chunk_shape(("tube", "time", "depth"), (50, 1_000_000, 6))
    assert long[1] * 6 * 4 <= encoding.CHUNK_BYTES
    assert long[1] > 40_000


@pytest.mark.parametrize("slab_bytes", [1, 500, 10_000, 2**24])
@pytest.mark.parametrize("tubes_together", [None, 2, 5])
def test_copy_does_not_depend_on_the_slabs(tmp_path, monkeypatch, slab_bytes, tubes_together):
    monkeypatch.setattr(encoding, "SLAB_BYTES", slab_bytes)
    monkeypatch.setattr(encoding, "CHUNK_BYTES", 160)  # ten steps of four depths
    values = np.random.default_rng(2).uniform(0, 1, (37, 5, 4)).astype(np.float32)
    array = xr.DataArray(values, dims=("day", "tube", "depth"))
    if tubes_together:
        array.encoding["preferred_chunks"] = {"day": 7, "tube": tubes_together, "depth": 4}
    with netCDF4.Dataset(tmp_path / "x.nc", "w") as file:
        for name, size in (("tube", 5), ("time", 37), ("depth", 4)):
            file.createDimension(name, size)
        packing = Packing("f4")
        variable = create_field(file, "x", ("tube", "time", "depth"), packing)
        assert variable.chunking() == [1, 10, 4]
        copy_field(array, variable, packing)
        assert variable[:].tobytes() == values.transpose(1, 0, 2).tobytes()


def test_text_is_characters_and_reads_back(tmp_path):
    texts = ["A1", "", "Gürtel-3"]
    with netCDF4.Dataset(tmp_path / "x.nc", "w") as file:
        file.createDimension("tube", 3)
        create_text(file, "tube_id", "tube", texts)
    with netCDF4.Dataset(tmp_path / "x.nc") as file:
        assert file["tube_id"].dtype == "S1"
        assert file["tube_id"][:].tolist() == texts
    with xr.open_dataset(tmp_path / "x.nc") as dataset:
        assert dataset["tube_id"].values.tolist() == texts
