"""Rain above the pictures. Expected numbers are worked by hand."""

import numpy as np
import pytest
from picture_site import build_rain, build_site, build_times, find

from pipeline.report.rain_panel import draw_rain
from pipeline.report.style import new_figure, panel
from pipeline.report.time_columns import make_columns, show_time

pytestmark = pytest.mark.usefixtures("style")


def draw(site, days, rain):
    """Return the axes with rain over some days, and whether any of it is hatched."""
    figure = new_figure(2.0)
    axes = panel(figure, 0.7, 0.5, 4.0, 1.0)
    columns = make_columns(site, build_times(site, days))
    hatched = draw_rain(axes, rain, columns)
    show_time(axes, columns, label=False)
    return axes, hatched


def heights(axes):
    return np.array([bar.get_height() for bar in find(axes, "rain")])


def test_bars_of_a_long_record_are_sums_of_the_sites_days(site):
    rain = build_rain(site, days=120)
    rain[95], rain[96] = 3.0, 2.0  # the last step of the first day, the first of the second
    axes, hatched = draw(site, 120, rain)
    assert heights(axes)[:3].tolist() == [3.0, 2.0, 0.0]
    assert heights(axes).sum() == 5.0
    assert not hatched
    assert axes.get_ylabel() == "rain\n(mm/d)"
    assert axes.get_ylim() == (3.0, 0.0)
    assert [t.get_text() for t in find(axes, "total")] == ["total\n5 mm"]


@pytest.mark.parametrize(
    ("days", "per", "count"), [(2, "30 min", 96), (30, "6 h", 120), (400, "7 d", 58)]
)
def test_bars_grow_with_the_record(site, days, per, count):
    axes, _ = draw(site, days, build_rain(site, days))
    assert axes.get_ylabel() == f"rain\n(mm/{per})"
    assert heights(axes).size == count


def test_days_without_enough_values_are_hatched_and_the_total_says_logged(site):
    rain = build_rain(site, days=120, value=0.1)
    rain[96:125] = np.nan  # 67 of 96 values: less than three quarters
    rain[192:210] = np.nan  # 78 of 96: enough
    rain[480:576] = np.nan  # none
    axes, hatched = draw(site, 120, rain)
    spans = [(patch.get_x(), patch.get_width()) for patch in find(axes, "gap")]
    half = 0.5 / 96
    np.testing.assert_allclose(spans, [(20149 - half, 1), (20153 - half, 1)])
    assert hatched
    # By hand: (11520 - 29 - 18 - 96) steps of 0.1 mm are 1137.7 mm.
    assert [t.get_text() for t in find(axes, "total")] == ["logged\n1138 mm"]


def test_a_bar_that_the_record_ends_in_is_due_only_what_is_in_the_picture(site):
    # By hand: 404 days are 57 bars of 7 d and one with 5 d in the picture.
    axes, hatched = draw(site, 404, build_rain(site, days=404, value=0.1))
    assert heights(axes).size == 58
    assert not hatched


def test_a_gauge_slower_than_the_axis_is_not_called_incomplete(site):
    rain = build_rain(site, days=120, value=0.1)
    rain[np.arange(rain.size) % 4 != 0] = np.nan
    assert draw(site, 120, rain)[1] is False


def test_a_gauge_that_logged_nothing_is_hatched_throughout(site):
    axes, hatched = draw(site, 4, build_rain(site, value=np.nan))
    assert hatched
    (patch,) = find(axes, "gap")
    assert patch.get_width() == pytest.approx(4.0)


def test_rain_outside_the_pictures_time_is_left_out():
    site = build_site()
    axes, _ = draw(site, 2, build_rain(site, days=10, value=1.0))
    assert heights(axes).sum() == 192
