"""Rain above the pictures. Expected numbers are worked by hand."""

import numpy as np
import pytest
from picture_site import build_rain, build_site, build_times, find

from pipeline.report.rain_panel import draw_rain
from pipeline.report.style import new_figure, panel
from pipeline.report.time_columns import make_columns, show_time
from pipeline.site.models import Source, Wire

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
    rain[0] = 7.0  # fell before the picture begins
    rain[96], rain[97] = (
        3.0,
        2.0,
    )  # of the last interval of the first day, the first of the next
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
    rain[97:126] = np.nan  # 67 of 96 values: less than three quarters
    rain[193:211] = np.nan  # 78 of 96: enough
    rain[481:577] = np.nan  # none
    axes, hatched = draw(site, 120, rain)
    spans = [(patch.get_x(), patch.get_width()) for patch in find(axes, "gap")]
    # By hand: 1 March 2025 is day 20148 since 1970.
    np.testing.assert_allclose(spans, [(20149, 1), (20153, 1)], rtol=0, atol=1e-6)
    assert hatched
    # By hand: (11519 - 29 - 18 - 96) steps of 0.1 mm are 1137.6 mm.
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


def test_a_bar_stands_where_its_rain_fell_before_the_stamp(site):
    """By hand: stamped 12:00, 15 min: drawn from 11:30 to 12:00, the half hour it lies in."""
    rain = build_rain(site, days=2)
    rain[48] = 1.0
    axes, _ = draw(site, 2, rain)
    (bar,) = [bar for bar in find(axes, "rain") if bar.get_height() > 0]
    middle = bar.get_x() + bar.get_width() / 2
    assert middle == pytest.approx(20148 + 11.75 / 24, abs=1e-6)


def test_where_a_record_ends_no_bar_is_called_incomplete(site):
    """The interval after its last step is not over; as a bar of its own it has no value."""
    axes, hatched = draw(site, 0.5, build_rain(site, days=0.5, value=0.1))
    assert axes.get_ylabel() == "rain\n(mm/15 min)"
    assert not hatched


def test_of_daily_totals_no_bar_is_shorter_than_a_day():
    """By hand: ten days with bars of six hours would show the whole day's rain in the last."""
    wire = Wire(row=2, source="gauge", channel="r", tube="", quantity="rain", unit="mm",
                depth_m=None)  # fmt: skip
    gauge = Source(id="gauge", kind="table", files="g.csv", layout="plain", interval_s=86_400,
                   clock={"utc_offset": "+01:00"})  # fmt: skip
    site = build_site(sources=(*build_site().sources, gauge), wiring=(wire,))
    rain = build_rain(site, days=10)
    rain[96], rain[192] = 3.0, 4.0
    axes, _ = draw(site, 10, rain)
    assert heights(axes).tolist() == [3.0, 4.0, *[0.0] * 8]
    assert axes.get_ylabel() == "rain\n(mm/d)"


def test_a_gauge_that_logged_nothing_is_hatched_throughout(site):
    axes, hatched = draw(site, 4, build_rain(site, value=np.nan))
    assert hatched
    (patch,) = find(axes, "gap")
    assert patch.get_width() == pytest.approx(4.0)


def test_rain_outside_the_pictures_time_is_left_out():
    site = build_site()
    axes, _ = draw(site, 2, build_rain(site, days=10, value=1.0))
    assert heights(axes).sum() == 192
