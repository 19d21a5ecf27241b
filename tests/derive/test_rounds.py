"""Rounds, repeats, the cube and how directions agree; expected values by hand."""

import numpy as np
import pandas as pd
import pytest
from hand_site import ORIGIN_S, hand_site, table

from pipeline.derive.rounds import (
    MAX_CELLS,
    ROUND_GAP_S,
    hand_readings,
    rotation_spread,
    rounds_cube,
)

GAP_MIN = ROUND_GAP_S // 60


def three_ways(*values, **more):
    return [{"direction_deg": 120.0 * k, "value": v, **more} for k, v in enumerate(values)]


def test_a_round_is_one_walk_of_one_reader_with_one_book():
    rows = table(
        {"minute": 0, "value": 0.1},
        {"minute": GAP_MIN, "value": 0.2, "tube": "T2"},  # just within the gap
        {"minute": 2 * GAP_MIN + 1, "value": 0.3},  # just beyond: the next walk
        {"minute": 5, "value": 0.4, "reader": "Bo"},
        {"minute": 6, "value": 0.5, "source": "other"},
    )
    read = hand_readings(rows, hand_site()).sort_values("value")
    # the bare site starts on 2024-01-01 00:00 UTC; the gap is three hours
    assert read["round"].tolist() == [
        "2024-01-01T00:00:00Z/book/Ada",
        "2024-01-01T00:00:00Z/book/Ada",
        "2024-01-01T06:01:00Z/book/Ada",
        "2024-01-01T00:05:00Z/book/Bo",
        "2024-01-01T00:06:00Z/other/Ada",
    ]
    assert (read["round_end_s"] - ORIGIN_S).tolist() == [10800, 10800, 21660, 300, 360]


def test_a_cube_has_the_tubes_that_were_read_in_the_order_of_the_site():
    site = hand_site()
    cube = rounds_cube(hand_readings(table({"value": 0.2, "tube": "T2"}), site), site)
    assert cube["tube"].values.tolist() == ["T2"]
    both = table({"value": 0.2, "tube": "T2"}, {"value": 0.3})
    cube = rounds_cube(hand_readings(both, site), site)
    assert cube["tube"].values.tolist() == ["T1", "T2"]
    water = cube["calibrated_water_content"].max(("round", "depth", "direction", "repeat"))
    np.testing.assert_allclose(water, [0.3, 0.2], rtol=1e-6)


def test_repeats_are_numbered_and_not_merged():
    rows = table(
        {"minute": 3, "value": 0.22},
        {"minute": 1, "value": 0.21},
        {"minute": 1, "value": 0.21},
        {"minute": 2, "value": 0.30, "depth_m": 0.3},
        {"minute": 2, "value": 0.25, "direction_deg": np.nan},
        {"minute": 2, "value": 0.26, "direction_deg": np.nan},
    )
    read = hand_readings(rows, hand_site())
    found = read[["direction_deg", "depth_m", "repeat", "value", "line"]].fillna(-1)
    assert found.values.tolist() == [
        [0, 0.1, 0, 0.21, 3],
        [0, 0.1, 1, 0.21, 4],
        [0, 0.1, 2, 0.22, 2],
        [0, 0.3, 0, 0.30, 5],
        [-1, 0.1, 0, 0.25, 6],
        [-1, 0.1, 1, 0.26, 7],
    ]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        # lowest, highest, spread, odd direction, its distance from the median, spread of rest
        ([0.20, 0.21, 0.20], [0.20, 0.21, 0.01, 120, 0.01, 0.0]),  # common practice: sound
        (
            [0.20, 0.21, 0.08],
            [0.08, 0.21, 0.13, 240, 0.12, 0.01],
        ),  # common practice: the third
        ([0.20, 0.21, 0.22], [0.20, 0.22, 0.02, np.nan, np.nan, np.nan]),  # two equally far
        ([0.20, 0.26], [0.20, 0.26, 0.06, np.nan, np.nan, np.nan]),  # of two none is odd
    ],
)
def test_directions_are_compared(values, expected):
    read = hand_readings(table(*three_ways(*values)), hand_site())
    (row,) = rotation_spread(read).iloc[:, 3:].to_numpy()
    np.testing.assert_allclose(row, expected, atol=1e-7)
    assert (read["direction_spread"] == row[2]).all()


def test_directions_compare_the_means_of_repeats_and_only_those_noted():
    rows = table(
        {"value": 0.20},
        {"value": 0.22},
        {"value": 0.24, "direction_deg": 120.0},
        {"value": 0.90, "direction_deg": np.nan},
        {"value": 0.50, "depth_m": 0.3},
    )
    found = rotation_spread(hand_readings(rows, hand_site()))
    assert found["depth_m"].tolist() == [0.1]  # one direction alone has no spread
    assert found["direction_spread"].tolist() == pytest.approx([0.03], abs=1e-7)


def test_cube_holds_every_reading_once_at_its_labels():
    rows = table(
        *three_ways(0.20, 0.21, 0.08, minute=0),
        {"minute": 1, "value": 0.23},
        {"minute": 2, "value": 12.0, "quantity": "permittivity", "tube": "T2", "depth_m": 0.3},
        {"minute": 9000, "value": 0.4, "direction_deg": np.nan},
    )
    read = hand_readings(rows, hand_site())
    cube = rounds_cube(read, hand_site())
    assert cube["calibrated_water_content"].dims == (
        "round", "tube", "depth", "direction", "repeat"
    )  # fmt: skip
    assert dict(cube.sizes) == {"round": 2, "tube": 2, "depth": 2, "direction": 4, "repeat": 2}
    assert cube["sensor_depth"].sel(tube="T2").values.tolist() == [0.15, 0.35]
    first = cube.isel(round=0).sel(tube="T1", depth=0.1)
    np.testing.assert_allclose(
        first["water_content_as_read"].values[:3, 0], [0.20, 0.21, 0.08], rtol=0
    )
    assert first["water_content_as_read"].sel(direction=0, repeat=1) == 0.23
    # median of 0.215 (mean of repeats), 0.21 and 0.08
    assert float(first["odd_direction_distance"]) == pytest.approx(0.13, abs=1e-6)
    as_read = [cube[f"{name}_as_read"] for name in ("water_content", "permittivity")]
    assert sum(int(a.notnull().sum()) for a in as_read) == len(rows)
    assert int(cube["reading_time"].notnull().sum()) == len(rows)
    assert cube["permittivity_as_read"].attrs["units"] == "1"
    assert str(cube["round_start"].values[1])[:16] == "2024-01-07T06:00"


def test_unstacked_table_and_cube_agree_everywhere():
    random = np.random.default_rng(5)
    rows = table(
        *(
            {"minute": int(random.integers(0, 9000)), "tube": random.choice(["T1", "T2"]),
             "depth_m": random.choice([0.1, 0.3]), "value": random.uniform(0, 0.5),
             "direction_deg": random.choice([0.0, 120.0, np.nan])}
            for _ in range(300)
        )
    )  # fmt: skip
    read = hand_readings(rows, hand_site())
    flat = rounds_cube(read, hand_site())["water_content_as_read"].to_series().dropna()
    labels = ["round", "tube", "depth_m", "direction_deg", "repeat"]
    pd.testing.assert_series_equal(
        read.set_index(labels)["value"].sort_index(),
        flat.sort_index(),
        check_names=False,
        check_index_type=False,
    )


def test_no_order_of_rows_matters():
    random = np.random.default_rng(9)
    rows = table(
        *(
            {"minute": int(random.integers(0, 2000)), "value": random.uniform(0, 0.5),
             "tube": random.choice(["T1", "T2"]), "reader": random.choice(["Ada", "Bo", ""]),
             "direction_deg": random.choice([0.0, 120.0, 240.0]), "file": int(line % 3)}
            for line in range(200)
        )
    )  # fmt: skip
    expected = hand_readings(rows, hand_site())
    for seed in range(3):
        mixed = rows.sample(frac=1, random_state=seed)
        pd.testing.assert_frame_equal(
            hand_readings(mixed, hand_site()), expected, rtol=0, atol=0
        )


def test_an_empty_book_has_an_empty_cube():
    read = hand_readings(table(), hand_site())
    assert len(read) == 0
    assert rounds_cube(read, hand_site())["calibrated_water_content"].size == 0


def test_a_cube_too_large_for_memory_is_refused_with_advice():
    read = hand_readings(table({"value": 0.2}), hand_site())
    far = read.assign(repeat=MAX_CELLS)
    with pytest.raises(ValueError, match="take fewer rounds at a time"):
        rounds_cube(far, hand_site())
