"""Wetting events on records whose course is known by hand."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from pipeline.derive.event_block import Block
from pipeline.derive.event_rows import with_drainage_doubt
from pipeline.derive.event_tables import _noise_at, wetting_events
from pipeline.derive.fronts import daily_noise, wetting_fronts
from pipeline.derive.onsets import ONSET_RISE
from pipeline.derive.weights import EndRules
from pipeline.errors import UnitsError

INTERVAL_S, DAYS = 600, 12
STEPS = DAYS * 144
DEPTHS_M = (0.1, 0.3, 0.6)


def record(columns, tube="T1", depths=DEPTHS_M, units="m3 m-3"):
    times = np.datetime64("2025-03-01T00:00", "ns") + np.arange(STEPS) * np.timedelta64(
        INTERVAL_S, "s"
    )
    values = np.stack(columns, axis=1)[:, np.newaxis]
    coords = {"time": times, "tube": [tube], "depth": list(depths)}
    return xr.DataArray(values, coords, tuple(coords), "x", {"units": units})


def course(foot, climb=0.001, top=0.06, base=0.2):
    """Falls to ``base`` at ``foot``, climbs by ``climb`` a step to ``top`` above it."""
    steps = np.arange(STEPS)
    falling = base + 2e-5 * np.maximum(foot - steps, 0)
    return falling + np.minimum(np.maximum(steps - foot, 0) * climb, top)


def depths_of(tube="T1"):
    coords = {"tube": [tube], "depth": list(DEPTHS_M)}
    return xr.DataArray([list(DEPTHS_M)], coords, ("tube", "depth"), attrs={"units": "m"})


def start_s(array):
    return int(array["time"].values[0].astype("datetime64[s]").astype(np.int64))


def test_the_onset_is_the_first_reading_five_thousandths_above_the_base():
    # by hand: the line 0.2 + 0.001 (i - 500) is 0.005 above its foot at step 505; the base is
    # a mean of readings within 0.0003 of the lowest and so at most that much above it.
    array = record([course(500), np.full(STEPS, 0.2), np.full(STEPS, 0.2)])
    fronts = wetting_fronts(array)
    assert len(fronts) == 1
    front = fronts.iloc[0]
    step = (front["onset_s"] - start_s(array)) / INTERVAL_S
    assert step in (505, 506)
    assert front["base"] == pytest.approx(0.2, abs=3e-4)
    assert front["peak"] == pytest.approx(0.26, abs=1e-6)
    assert front["climb_per_h"] == pytest.approx(0.006, rel=0.02)
    assert front["onset_error_s"] == pytest.approx(INTERVAL_S / np.sqrt(12), rel=0.1)
    assert pytest.approx(0.005) == ONSET_RISE


def test_a_reading_that_stands_alone_and_a_season_are_no_fronts():
    lone = np.full(STEPS, 0.2)
    lone[700] += 0.1
    season = 0.2 + 1e-5 * np.arange(STEPS)  # 0.0058 in four days
    assert wetting_fronts(record([lone, season, course(-5000)])).empty


def test_a_climb_that_pauses_for_less_than_six_hours_is_one_front():
    def twice(pause):
        first = course(300, climb=0.002, top=0.03)
        second = np.minimum(np.maximum(np.arange(STEPS) - 315 - pause, 0) * 0.002, 0.03)
        fall = 5e-4 * np.clip(np.arange(STEPS) - 315, 0, pause)
        return first + second - np.minimum(fall, 0.01)

    for pause, joined in ((30, True), (60, False)):
        fronts = wetting_fronts(record([twice(pause)] * 3))
        assert (
            fronts.groupby("depth_m")["continues"].apply(list).tolist()
            == [[False, joined]] * 3
        )
        events, _ = wetting_events(record([twice(pause)] * 3), depths_of())
        assert len(events) == (1 if joined else 2)


def test_lag_velocity_gain_and_balance_of_an_event_by_hand():
    # by hand: fronts 100 steps of ten minutes apart over 0.2 and 0.3 m; each sensor gains
    # 0.06, so the trapezoid with a constant top gains 36 mm over 0.6 m.
    array = record([course(500), course(600), course(700)])
    rain = xr.zeros_like(array[:, 0, 0]).assign_attrs(units="mm")
    rain[480:500] = 2.0
    rain[300] = 5.0  # a day and more before: no rain of this event
    rain[1500] = 3.0
    events, depths = wetting_events(array, depths_of(), rain)
    event = events.iloc[0]
    lag_s = 100 * INTERVAL_S
    assert depths["lag_s"].to_numpy() == pytest.approx([0, lag_s, 2 * lag_s], abs=INTERVAL_S)
    expected = [0.2 * 86400 / lag_s, 0.3 * 86400 / lag_s]
    assert depths["velocity_m_d"].to_numpy()[1:] == pytest.approx(expected, rel=0.02)
    assert (depths["velocity_low_m_d"] < depths["velocity_m_d"])[1:].all()
    assert (depths["velocity_m_d"] < depths["velocity_high_m_d"])[1:].all()
    assert depths["rank"].tolist() == [1, 2, 3]
    assert event["gain_mm"] == pytest.approx(36, abs=2.5)  # less the fall of deeper sensors
    assert (event["rain_mm"], event["rain_after_mm"]) == (40.0, 3.0)
    assert event["remainder_mm"] == pytest.approx(40 - event["gain_mm"])
    assert event["depth_reached_m"] == 0.6
    assert event["open"]
    assert event["doubts"] == ""


@pytest.mark.parametrize(
    ("rained_mm", "doubts"),
    [(0.0, "beyond_rain"), (20.0, "beyond_rain"), (33.0, ""), (np.nan, "")],
)
def test_an_event_that_gained_more_than_rained_is_doubted(rained_mm, doubts):
    # by hand: it gains 36 mm. Sure to 0.03 of it by calibration (1.1 mm) and to 0.05 of a
    # catch of 33 mm (1.7 mm), the remainder of -3 mm is within 1.96 times 2.0; -16 is not.
    array = record([course(500), course(600), course(700)])
    rain = xr.zeros_like(array[:, 0, 0]).assign_attrs(units="mm")
    rain[480:500] = rained_mm / 20
    rain = rain if np.isfinite(rained_mm) else xr.full_like(rain, np.nan)  # no gauge then
    events, _ = wetting_events(array, depths_of(), rain)
    assert events["doubts"].tolist() == [doubts]


# By hand: the front begins at step 500 and the gain of 36 mm, as above, is whole at about 735;
# of the rain, 20 steps of 0.5 mm before it, some readings are missing, or of dry times.
LOST = {
    "the storm's own reading": (slice(490, 491), ["rain_gap"]),
    "where its spell may have begun": (slice(450, 470), ["rain_gap"]),
    "after the peak": (slice(1500, 1510), ["beyond_rain"]),
    "long before": (slice(300, 340), ["beyond_rain"]),
    "most of it": (slice(400, 700), [""]),
}


@pytest.mark.parametrize("kind", LOST)
def test_no_gain_is_beyond_rain_that_a_gauge_did_not_log(kind):
    lost, doubts = LOST[kind]
    array = record([course(500), course(600), course(700)])
    rain = xr.zeros_like(array[:, 0, 0]).assign_attrs(units="mm")
    rain[480:500] = 0.5
    rain[lost] = np.nan
    events, _ = wetting_events(array, depths_of(), rain)
    assert events["doubts"].tolist() == doubts
    assert np.isfinite(events["rain_mm"]).tolist() == [doubts != [""]]


def test_an_event_in_which_the_profile_lost_water_has_no_gain():
    # by hand: the first sensor gains 0.001 a step, two below lose 0.0006 over far more soil.
    deep = 0.4 - 6e-4 * np.clip(np.arange(STEPS) - 400, 0, 250)
    events, _ = wetting_events(record([course(500, top=0.02), deep, deep]), depths_of())
    assert events["gain_mm"].iloc[0] < 0
    assert events["doubts"].tolist() == ["no_gain"]


def test_stored_water_has_its_peak_when_the_event_has_begun_or_none():
    # Below the first sensor water is lost all the time, so that most was there at the foot; by
    # hand the onset is at step 505 or 506, and a peak is the middle of five readings.
    deep = 0.4 - 6e-4 * np.clip(np.arange(STEPS) - 400, 0, 250)
    columns = [course(500, top=0.02), deep, deep]
    events, by_depth = wetting_events(record(columns), depths_of())
    assert events["peak_s"].tolist() == events["onset_s"].tolist()
    assert (by_depth["storage_peak_s"] >= events["onset_s"].iloc[0]).all()
    # The water above the first sensor rises on.
    assert by_depth["storage_peak_s"].iloc[0] > events["onset_s"].iloc[0]
    columns[2] = np.where(np.arange(STEPS) < 507, deep, np.nan)
    ended, _ = wetting_events(record(columns), depths_of())
    assert ended["onset_s"].tolist() == events["onset_s"].tolist()
    assert ended["peak_s"].tolist() == [-1]
    assert ended["doubts"].iloc[0].split() == ["gap", "no_peak"]


def test_a_drained_amount_of_which_the_sign_is_open_is_doubted_as_long_as_it_is_so():
    # by hand, with 1.96 of the standard uncertainty: -1.5 to within 12 mm, and 3.5 to within
    # 3.53 mm tell nothing; 0.0 to within 1.2 mm is near enough; -3 to within 1 is below none.
    told = [(-1.5, 6.2), (3.5, 1.8), (0.0, 0.6), (-3.0, 0.5), (12.0, 3.5), (np.nan, np.nan)]
    events = pd.DataFrame(told, columns=["drainage_mm", "drainage_error_mm"])
    events["doubts"] = ["", "gap", "gap", "", "", ""]
    expected = ["unclear_drainage", "gap unclear_drainage", "gap", "unclear_drainage", "", ""]
    found = with_drainage_doubt(events)
    assert found.tolist() == expected
    assert with_drainage_doubt(events.assign(doubts=found)).tolist() == expected
    clear = events.assign(doubts=found, drainage_mm=20.0, drainage_error_mm=1.0)
    assert with_drainage_doubt(clear).tolist() == events["doubts"].tolist()


def test_without_rain_the_events_are_the_same_and_the_balance_is_unknown():
    array = record([course(500), course(600), course(700)])
    rain = xr.zeros_like(array[:, 0, 0]).assign_attrs(units="mm")
    with_rain, without = (
        wetting_events(array, depths_of(), rain),
        wetting_events(array, depths_of()),
    )
    assert with_rain[1].equals(without[1])
    assert np.isnan(without[0]["rain_mm"]).all()
    assert np.isnan(without[0]["remainder_mm"]).all()
    assert (with_rain[0]["gain_mm"] == without[0]["gain_mm"]).all()


def test_deep_before_shallow_is_one_event_and_said_so():
    array = record([course(520), course(510), course(500)])
    events, depths = wetting_events(array, depths_of())
    assert len(events) == 1
    assert events["doubts"].tolist() == ["deep_first"]
    assert depths["rank"].tolist() == [3, 2, 1]
    assert events["first_depth_m"].tolist() == [0.6]


def test_a_front_that_comes_after_the_next_event_began_is_marked():
    shallow = course(300, top=0.03) + course(700, top=0.03) - 0.2
    shallow = shallow - 4e-5 * np.clip(np.arange(STEPS) - 330, 0, 370)
    events, depths = wetting_events(record([shallow, course(400), course(800)]), depths_of())
    assert len(events) == 2
    first = depths[depths["event"] == events["event"][0]]
    assert first["wetted"].tolist() == [True, True, True]
    assert first["overlaps"].tolist() == [False, False, True]
    assert events["doubts"].tolist() == ["overlap", ""]


def test_a_gap_over_the_onset_widens_its_uncertainty_and_is_told():
    column = course(500)
    column[495:535] = np.nan
    events, depths = wetting_events(record([column, course(600), course(700)]), depths_of())
    error = depths["onset_error_s"].iloc[0]
    assert error > 40 * INTERVAL_S / np.sqrt(12) * 0.95
    assert "slow_onset" in events["doubts"].iloc[0]


def test_units_are_checked():
    with pytest.raises(UnitsError, match="expected units 'm3 m-3', found 'percent'"):
        wetting_fronts(record([course(500)] * 3, units="percent"))


def test_a_sensor_that_logs_more_slowly_than_the_axis_has_no_gaps():
    shape = course(500)
    shape[1::3] = np.nan
    shape[2::3] = np.nan
    wet = np.where(np.isnan(shape), np.nan, 0.2)
    events, _ = wetting_events(record([shape, wet, wet]), depths_of())
    assert events["missing"].tolist() == [0.0]
    assert "gap" not in events["doubts"].iloc[0]
    shape[900:1200] = np.nan  # 299 to 301 of the 1728 - 506 steps of the event, by hand
    events, _ = wetting_events(record([shape, wet, wet]), depths_of())
    assert events["missing"].iloc[0] == pytest.approx(300 / 1222, abs=0.01)


@pytest.mark.parametrize("above", ["constant", "none"])
def test_the_error_of_a_gain_by_distance_is_told_of_sensors_of_two_paces(above):
    # by hand: to 0.260 and 0.200 from 0.200, at 10 and 30 cm: the rises differ by 0.06 over
    # 200 mm; and half of the 100 mm above the first sensor, where they count.
    shallow, deep = course(500), np.full(STEPS, 0.2)
    deep[np.arange(STEPS) % 3 != 1] = np.nan  # never at the foot nor the peak
    columns, depths = [shallow, deep], depths_of().isel(depth=[0, 1])
    events, _ = wetting_events(
        record(columns, depths=DEPTHS_M[:2]), depths, rules=EndRules(above, "none")
    )
    top = 50 * 0.06 if above == "constant" else 0.0
    expected = np.hypot(200 * 0.06, top) / np.sqrt(12)
    assert events["gain_spacing_error_mm"].tolist() == pytest.approx([expected], rel=0.01)


def test_noise_is_that_of_the_whole_record_whichever_events_are_asked_for():
    random = np.random.default_rng(2)
    days = 40
    water = random.normal(0.2, 1e-3 * (1.0 + np.repeat(np.arange(days), 144)), (2, days * 144))
    water[0, 700:1500] = np.nan  # days without readings
    water[1, random.random(days * 144) < 0.3] = np.nan
    whole = np.stack([daily_noise(row, 144) for row in water])
    for days_of in ([0], [5], [39], [9, 12], [10, 11, 33], [2, 38]):
        start = 144 * np.array(days_of) + 77
        found = _noise_at(Block(0, INTERVAL_S, water), start)
        np.testing.assert_array_equal(found, whole[:, days_of].T)
    past = _noise_at(Block(0, INTERVAL_S, water), np.array([days * 144]))
    np.testing.assert_array_equal(past, whole[:, [-1]].T)
