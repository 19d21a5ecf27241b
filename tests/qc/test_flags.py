"""Packing of flags: a round trip, CF attributes, refusals; the order of verdicts."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from pipeline.qc.flags import (
    PRECEDENCE,
    TEST_BITS,
    Quality,
    describe_quality,
    pack,
    unpack,
)

chosen = st.lists(st.sampled_from(sorted(TEST_BITS)), min_size=1, unique=True)


@settings(deadline=None)
@given(chosen, st.data())
def test_unpack_undoes_pack(names, data):
    shape = data.draw(npst.array_shapes(max_dims=3, max_side=4))
    dims = ("time", "tube", "depth")[: len(shape)]
    flags = {
        name: xr.DataArray(data.draw(npst.arrays(bool, shape)), dims=dims) for name in names
    }
    mask = pack(flags)
    assert mask.dtype == np.uint16
    found = unpack(mask)
    assert set(found) == set(TEST_BITS)
    for name, flag in found.items():
        expected = flags.get(name, xr.zeros_like(flag, dtype=bool))
        np.testing.assert_array_equal(flag, expected)
        assert flag.attrs == {}


def test_bits_are_apart_and_never_moved():
    # Provenance: the project's own table; a bit once given keeps its meaning in every store.
    known = {
        "missing": 1,
        "outside_calibration": 2,
        "gross_range": 4,
        "rate_of_change": 8,
        "flat_line": 16,
        "spike": 32,
        "noise_burst": 64,
        "step": 128,
        "frozen": 256,
        "neighbour_depth": 512,
        "timing": 1024,
        "maintenance": 2048,
        "supply": 4096,
        "decision": 8192,
        "neighbour_tube": 16384,
    }
    assert {name: TEST_BITS[name] for name in known} == known
    assert len({bit for bit in TEST_BITS.values() if bit & (bit - 1) == 0}) == len(TEST_BITS)
    assert max(TEST_BITS.values()) <= np.iinfo(np.uint16).max


def test_masks_and_meanings_are_those_of_cf():
    # CF 1.11 section 3.5: masks of the variable's own type, as many meanings as masks.
    mask = pack({"spike": xr.DataArray([True], dims="time")})
    assert mask.attrs["flag_masks"].dtype == mask.dtype
    assert mask.attrs["flag_meanings"].split() == list(TEST_BITS)
    flag = describe_quality(xr.DataArray(np.array([1], np.uint8), dims="time"))
    assert flag.attrs["flag_values"].tolist() == [1, 2, 3, 4, 9]
    assert flag.attrs["flag_meanings"] == "good not_evaluated suspect bad missing"


@pytest.mark.parametrize(
    ("flags", "message"),
    [
        ({}, "expected one or more of"),
        ({"spoke": xr.DataArray([True])}, "found \\['spoke'\\]"),
        ({"spike": xr.DataArray([1.0])}, "'spike': expected booleans, found float64"),
        (
            {
                "spike": xr.DataArray([True], {"time": [1]}),
                "step": xr.DataArray([True], {"time": [2]}, name="step"),
            },
            "'step': expected the time of None, 1, found 2",
        ),
        (
            {"spike": xr.DataArray([True], dims="time"), "step": xr.DataArray(True)},
            "expected the dimensions",
        ),
    ],
)
def test_what_cannot_be_packed_is_refused(flags, message):
    with pytest.raises(ValueError, match=message):
        pack(flags)


def test_a_mask_of_any_whole_numbers_is_unpacked_and_of_others_refused():
    mask = pack({"spike": xr.DataArray([True, False], dims="time")})
    for kind in (np.uint8, np.int32, np.int64):
        found = unpack(mask.astype(kind))
        assert found["spike"].values.tolist() == [True, False]
        assert not found["frozen"].any()
    with pytest.raises(ValueError, match="'tests': expected whole numbers, found float32"):
        unpack(mask.astype(np.float32))


def test_the_scale_and_its_order():
    # Provenance: printed, IOC Manuals & Guides 54 vol. 3 (2013), primary level flags; the
    # order is the project's own and holds each flag once.
    assert [int(quality) for quality in Quality] == [1, 2, 3, 4, 9]
    assert sorted(PRECEDENCE) == sorted(Quality)
