"""One table of days: tubes at the same depths, hand rounds where no logger is."""

import math

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from pipeline.axis import DAY_S
from pipeline.derive.field_days import depth_weights, field_days
from pipeline.derive.weights import EndRules

COLUMNS = ["time_s", "tube", "depth_m", "direction_deg", "calibrated_water_content",
           "systematic_error"]  # fmt: skip
NOTHING = pd.DataFrame(columns=COLUMNS)


def make_daily(site, theta, storage=100.0, tubes=("A1",)):
    """Return daily values of ``tubes``; ``theta`` (day, tube, depth)."""
    theta = np.asarray(theta, np.float32)
    shape = (len(theta), len(tubes), len(site.derive.layers))
    water, layers = ("day", "tube", "depth"), ("day", "tube", "layer")
    return xr.Dataset(
        {
            "daily_water_content": (water, theta),
            "daily_systematic_error": (water, np.full_like(theta, 0.01)),
            "daily_storage": (layers, np.full(shape, storage, np.float32)),
            "daily_storage_systematic_error": (layers, np.full(shape, 3.0, np.float32)),
        },
        {
            "day": site.axis.times(0, len(theta) * 24)[::24],
            "tube": list(tubes),
            "depth": list(site.depths_m),
            "layer": [layer.name for layer in site.derive.layers],
        },
    )


def make_hand(site, *rows):
    """Return hand readings from (day, tube, depth, direction, value)."""
    table = [
        (site.axis.origin_s + int(day * DAY_S), tube, depth, direction, value, 0.02)
        for day, tube, depth, direction, value in rows
    ]
    return pd.DataFrame(table, columns=COLUMNS)


@pytest.fixture
def site(make_site):
    """Return two tubes of which only the first is logged."""
    return make_site(
        depths_m=(0.1, 0.3),
        set_in_m=(("A1", 0.0), ("H1", 0.0)),
        layers=(("top", 0.0, 0.3),),
        without=(("H1", 0.1), ("H1", 0.3)),
    )


def test_a_hand_round_is_the_day_of_a_tube_without_a_logger(site):
    hand = make_hand(
        site,
        *(
            (1.4, "H1", 0.1, angle, value)
            for angle, value in ((0, 0.2), (0, 0.3), (120, 0.35))
        ),
        (1.4, "H1", 0.3, 0, 0.4),
    )
    result = field_days(make_daily(site, np.full((3, 1, 2), 0.25)), hand, site)
    # by hand: two directions, the first read twice: ((0.2 + 0.3) / 2 + 0.35) / 2 = 0.3
    water = result["daily_water_content"].sel(tube="H1")
    np.testing.assert_allclose(water[1], [0.3, 0.4])
    assert water[[0, 2]].isnull().all()
    # by hand: constant 0-10, then a trapezoid: 0.3 * 100 + (0.3 + 0.4) / 2 * 200 = 100 mm
    assert float(result["daily_storage"].sel(tube="H1", layer="top")[1]) == pytest.approx(100)
    # by hand (docs/storage.md): 0.02 over 300 mm, shared by both depths, and what distance
    # leaves open: 0.004 * 0.1**3 / 3 above, (0.1**2 / 0.2 / 2 + 0.0002) * 0.2**3 / 12 between
    error = result["daily_storage_systematic_error"].sel(tube="H1", layer="top")
    assert float(error[1]) == pytest.approx(math.sqrt(6.0**2 + 1e6 * (4e-6 / 3 + 1.68e-5)))
    assert result["by_hand"].values.tolist() == [[False, False], [False, True], [False, False]]


def test_readings_without_a_direction_are_one_direction(site):
    rows = ((0.2, 0), (0.3, np.nan), (0.5, np.nan))
    hand = make_hand(site, *((1, "H1", 0.1, angle, value) for value, angle in rows))
    result = field_days(make_daily(site, np.full((3, 1, 2), 0.25)), hand, site)
    # By hand: (0.2 + (0.3 + 0.5) / 2) / 2.
    water = result["daily_water_content"].sel(tube="H1", depth=0.1)
    np.testing.assert_allclose(water, [np.nan, 0.3, np.nan], rtol=1e-6)


def test_a_round_cut_short_has_no_water_below_what_it_read(make_site):
    """By hand: 0.1 above 20 cm, 0.4 at 60 cm and carried on to 100 cm; on day 2 the rain came.

    Carried on from 20 cm the profile would hold 100 mm on that day, 285 mm on the others.
    """
    site = make_site(
        depths_m=(0.1,),
        set_in_m=(("A1", 0.0), ("H1", 0.0)),
        layers=(("top", 0.0, 0.2), ("profile", 0.0, 1.0), ("deep", 0.6, 1.0)),
        without=(("H1", 0.1),),
        below_last_sensor="constant",
    )
    book = [(day, "H1", z, 0, v) for day in range(4) for z, v in ((0.2, 0.1), (0.6, 0.4))]
    book = [row for row in book if row[0] != 2 or row[2] < 0.6]
    daily = make_daily(site, np.full((4, 1, 1), 0.25))
    stored = field_days(daily, make_hand(site, *book), site)["daily_storage"].sel(tube="H1")
    np.testing.assert_allclose(stored.sel(layer="top"), [20.0] * 4)
    np.testing.assert_allclose(stored.sel(layer="profile"), [280.0, 280.0, np.nan, 280.0])
    np.testing.assert_allclose(stored.sel(layer="deep"), [160.0, 160.0, np.nan, 160.0])


def test_a_depth_read_once_by_a_slip_takes_no_water_from_other_rounds(make_site):
    site = make_site(
        depths_m=(0.1,),
        set_in_m=(("A1", 0.0), ("H1", 0.0)),
        layers=(("top", 0.0, 0.5),),
        without=(("H1", 0.1),),
        below_last_sensor="constant",
    )
    book = [(day, "H1", 0.2, 0, 0.2) for day in range(6)] + [(3, "H1", 1.5, 0, 0.2)]
    daily = make_daily(site, np.full((6, 1, 1), 0.25))
    stored = field_days(daily, make_hand(site, *book), site)["daily_storage"].sel(tube="H1")
    np.testing.assert_allclose(stored.sel(layer="top"), [100.0] * 6)  # 0.2 * 500 mm


def test_a_tube_set_otherwise_tells_nothing_beyond_its_own_sensors(make_site):
    """Whatever the rules carry on: its neighbour at nominal depths tells nothing there either.

    By hand: sensors at 15 and 35 cm, or at 5 and 25 cm, of the depths 10 and 30 cm.
    """
    tubes = (("low", 0.05), ("high", -0.05), ("A1", 0.0))
    site = make_site(
        depths_m=(0.1, 0.3, 0.6),
        set_in_m=tubes,
        without=[(tube, 0.6) for tube in ("low", "high")],
        below_last_sensor="constant",
    )
    theta = np.full((1, 3, 3), (0.1, 0.3, np.nan))
    daily = make_daily(site, theta, tubes=[name for name, _ in tubes])
    found = field_days(daily, NOTHING, site)["daily_water_content"].isel(day=0)
    np.testing.assert_allclose(found.sel(tube="low"), [0.1, 0.25, np.nan], rtol=1e-6)
    np.testing.assert_allclose(found.sel(tube="high"), [0.15, 0.3, np.nan], rtol=1e-6)


def test_a_logged_day_stays_as_it_is(site):
    hand = make_hand(site, (1, "A1", 0.1, 0, 0.1), (2, "A1", 0.1, 0, 0.1))
    theta = np.full((3, 1, 2), 0.25)
    theta[2] = np.nan
    daily = make_daily(site, theta)
    daily["daily_storage"][2] = np.nan
    result = field_days(daily, hand, site).sel(tube="A1")
    np.testing.assert_allclose(result["daily_water_content"].sel(depth=0.1), [0.25, 0.25, 0.1])
    assert result["by_hand"].values.tolist() == [False, False, True]
    assert np.isfinite(result["daily_storage"].sel(layer="top")).values.tolist() == [
        True,
        True,
        False,  # the layer needs the sensor at 30 cm too
    ]


def test_a_tube_set_deeper_is_brought_to_nominal_depths(make_site):
    site = make_site(depths_m=(0.1, 0.2, 0.3), set_in_m=(("A1", 0.05),))
    theta = np.array([[[0.1, 0.2, 0.4]], [[0.1, np.nan, 0.4]]])
    result = field_days(make_daily(site, theta), NOTHING, site).isel(tube=0)
    # by hand: sensors at 15, 25, 35 cm; constant above the first; 20 = (15 + 25) / 2
    np.testing.assert_allclose(result["daily_water_content"][0], [0.1, 0.15, 0.3], rtol=1e-6)
    np.testing.assert_allclose(result["daily_water_content"][1], [0.1, np.nan, np.nan])
    assert (result["daily_storage"] == 100).all()  # logged storage knows real depths already


def test_a_depth_read_by_hand_once_leaves_the_logged_days_of_a_deeper_tube_as_they_are(
    make_site,
):
    site = make_site(depths_m=(0.1, 0.3), set_in_m=(("A1", 0.05),))
    daily = make_daily(site, np.full((3, 1, 2), (0.1, 0.3)))
    hand = make_hand(site, (1, "A1", 0.2, 0, 0.3))
    found = field_days(daily, hand, site)["daily_water_content"].sel(tube="A1")
    # by hand: sensors at 15 and 35 cm; 30 cm lies three quarters of the way, 20 cm one quarter
    for day in (0, 2):
        np.testing.assert_allclose(found[day], [0.1, 0.15, 0.25], rtol=1e-6)
    # with 0.3 at 25 cm: 20 cm lies half way to it, and below it is 0.3 throughout
    np.testing.assert_allclose(found[1], [0.1, 0.2, 0.3], rtol=1e-6)


def test_tubes_come_in_the_order_of_the_site_and_unknown_ones_are_dropped(make_site):
    site = make_site(depths_m=(0.1, 0.3), set_in_m=(("A1", 0.0), ("B1", 0.0)))
    theta = np.array([[[0.4, 0.4], [0.1, 0.1], [0.2, 0.2]]])
    daily = make_daily(site, theta, tubes=("gone", "B1", "A1"))
    result = field_days(daily, NOTHING, site)
    assert result["tube"].values.tolist() == ["A1", "B1"]
    np.testing.assert_allclose(result["daily_water_content"][0, :, 0], [0.2, 0.1], rtol=1e-6)


def test_depths_read_only_by_hand_are_there_too(site):
    hand = make_hand(site, (0, "H1", 0.6, 0, 0.33))
    result = field_days(make_daily(site, np.full((1, 1, 2), 0.25)), hand, site)
    assert result["depth"].values.tolist() == [0.1, 0.3, 0.6]
    assert float(result["daily_water_content"].sel(tube="H1", depth=0.6)[0]) == 0.33


def test_rows_in_any_order_give_the_same_bits(site):
    random = np.random.default_rng(1)
    hand = make_hand(site, *((1, "H1", 0.1, 0, value) for value in random.random(40)))
    daily = make_daily(site, np.full((3, 1, 2), 0.25))
    mixed = hand.sample(frac=1.0, random_state=2)
    assert field_days(daily, hand, site).identical(field_days(daily, mixed, site))


def test_weights_of_depths_are_straight_lines_and_end_by_rule():
    # by hand
    sensors = np.array([0.15, np.nan, 0.25, 0.45])
    found = depth_weights(sensors, (0.1, 0.2, 0.4, 0.5), EndRules("constant", "none"))
    expected = [[1, 0, 0, 0], [0.5, 0, 0.5, 0], [0, 0, 0.25, 0.75], [np.nan] * 4]
    np.testing.assert_allclose(found, expected, atol=1e-12)
    below = depth_weights(sensors, (0.1, 0.5), EndRules("none", "constant"))
    np.testing.assert_allclose(below, [[np.nan] * 4, [0, 0, 0, 1]])
    lone = depth_weights(np.array([0.2, np.nan]), (0.1, 0.2, 0.3), EndRules("none", "none"))
    np.testing.assert_allclose(lone, [[np.nan] * 2, [1, 0], [np.nan] * 2])
    assert np.isnan(depth_weights(np.array([np.nan]), (0.1,), EndRules())).all()
