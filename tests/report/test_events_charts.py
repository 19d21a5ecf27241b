"""Pictures of events: what is drawn is what the tables say. Numbers are worked by hand."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from picture_site import START, build_rain, build_times, find
from PIL import Image

from pipeline.report.events_chart import StoredLimit, TubeEvents, draw_events, events_figure
from pipeline.report.front_chart import draw_front, front_figure, front_window

pytestmark = pytest.mark.usefixtures("style")

DAY_S = 86_400
START_S = int(START.timestamp())
MIDNIGHT = (START_S + 3600) / DAY_S  # of the first day, in days of the site's standard time
EVENTS = pd.DataFrame(
    {
        "tube": "A1",
        "event": ["A1-20250301T2300Z", "A1-20250303T1100Z"],
        "onset_s": START_S + np.array([DAY_S, 5 * DAY_S // 2]),
        "peak_s": START_S + np.array([3 * DAY_S // 2, 11 * DAY_S // 4]),
        "end_s": START_S + np.array([5 * DAY_S // 2, 4 * DAY_S]),
        "open": [False, True],
        "depth_reached_m": 0.4,
        "drainage_mm": [12.0, 3.0],
        "drainage_error_mm": [2.0, 1.0],
        "gradient_drainage_mm": [10.0, np.nan],
        "gain_mm": 20.0,
        "gain_random_error_mm": 2.0,
        "gain_systematic_error_mm": 3.0,
        "gain_spacing_error_mm": 6.0,
        "rain_mm": 25.0,
        "doubts": ["", "slow_onset gap"],
    }
)
LIMITS = (StoredLimit(250.0, 5.0, "record"), StoredLimit(110.0, np.nan, "at or below"))


def held(site, events=EVENTS, limits=LIMITS, value=200.0):
    times = build_times(site, 4)
    stored = xr.DataArray(np.full(times.size, value), {"time": times}, ("time",))
    return TubeEvents("A1", stored, 0.8, events, *limits)


def legend_texts(figure):
    return [text.get_text() for legend in figure.legends for text in legend.get_texts()]


def test_a_bar_stands_from_the_peak_to_the_end_and_is_as_high_as_what_drained(site):
    figure = events_figure(site, held(site), None)
    bars = find(figure, "drained")
    spans = [(bar.get_x() - MIDNIGHT, bar.get_width(), bar.get_height()) for bar in bars]
    np.testing.assert_allclose(spans, [(1.5, 1.0, 12.0), (2.75, 1.25, 3.0)], atol=1e-6)
    assert [bar.get_hatch() for bar in bars] == [None, "...."]
    (law,) = find(figure, "law")
    np.testing.assert_allclose(law.get_xydata()[0], (MIDNIGHT + 2.0, 10.0))
    low, high = figure.axes[-1].get_ylim()
    assert low <= 0.0
    assert high > 12.0 + 1.96 * 2.0


def test_wetting_is_shaded_from_onset_to_peak(site):
    figure = events_figure(site, held(site), build_rain(site))
    shades = find(figure, "wetting")
    spans = [(s.get_x() - MIDNIGHT, s.get_width()) for s in shades]
    np.testing.assert_allclose(spans, [(1.0, 0.5), (2.5, 0.25)], atol=1e-6)


def test_limits_are_lines_with_their_interval_and_say_whence_they_are(site):
    figure = events_figure(site, held(site), None)
    (line,) = find(figure, "upper limit")
    assert set(line.get_ydata()) == {250.0}
    (band,) = find(figure, "upper limit band")
    # by hand: 1.96 * 5 mm to each side.
    assert (band.get_y(), band.get_height()) == pytest.approx((240.2, 19.6))
    assert not find(figure, "lower limit band")
    assert "upper limit ± 95 % (record)" in legend_texts(figure)
    unknown = events_figure(site, held(site, limits=(None, None)), None)
    assert "lower limit: not known" in legend_texts(unknown)


def test_a_tube_without_events_or_values_is_drawn_and_says_so(site):
    figure = events_figure(site, held(site, EVENTS.iloc[:0], value=np.nan), None)
    said = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert "no stored water in this period" in said
    assert "no drained amount in this period" in said


def front_depths():
    return pd.DataFrame(
        {
            "wetted": [True, True, False, False],
            "real_depth_m": [0.1, 0.2, 0.4, 0.8],
            "onset_s": [START_S + DAY_S, START_S + 3 * DAY_S // 2, -1, -1],
            "onset_error_s": [600.0, 3600.0, np.nan, np.nan],
            "peak_s": [START_S + 2 * DAY_S, START_S + 9 * DAY_S // 4, -1, -1],
            "velocity_m_d": [np.nan, 0.2, np.nan, np.nan],
        }
    )


def front_water(site):
    times = build_times(site, 4)
    values = np.full((times.size, 4), 0.2)
    values[200:, 0] = np.nan
    coords = {"time": times, "depth": [0.1, 0.2, 0.4, 0.8]}
    return xr.DataArray(values, coords, tuple(coords))


def test_the_front_joins_the_onsets_of_wetted_sensors(site):
    figure = front_figure(site, EVENTS.iloc[1], front_depths(), front_water(site), None)
    (line,) = find(figure, "front")
    np.testing.assert_allclose(
        line.get_xydata(), [(MIDNIGHT + 1, 10), (MIDNIGHT + 1.5, 20)], atol=1e-6
    )
    said = [text.get_text() for text in figure.texts]
    # by hand: errors of 2, 3 and 6 mm make 7; 1.96 * 7 = 13.7.
    assert "gained 20.0 ± 13.7 mm (95 %), rain 25.0 mm, wetted to 40 cm" in said
    assert "front velocity between sensors: 20 cm a day" in said
    assert "doubts: slow onset, gap" in said
    assert "no value" in legend_texts(figure)


def test_the_window_reaches_from_before_the_first_onset_to_after_the_last():
    start, stop = front_window(EVENTS.iloc[0], front_depths())
    assert start == START_S + DAY_S // 2
    assert stop == START_S + 3 * DAY_S


def test_pictures_are_files_as_wide_as_the_others(site, tmp_path):
    tube = draw_events(site, held(site), build_rain(site), tmp_path / "t.png")
    rows = front_depths()
    front = draw_front(
        site, EVENTS.iloc[0], rows, front_water(site), build_rain(site), tmp_path / "f.png"
    )
    for path in (tube, front):
        with Image.open(path) as image:
            assert image.width == 1260
