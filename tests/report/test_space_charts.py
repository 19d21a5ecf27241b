"""Maps, the section and the ranks of a site. Expected numbers are worked by hand."""

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from picture_site import DEPTHS_M, build_rain, build_site, find

from pipeline.derive.stability import stability
from pipeline.report.site_map import draw_map, last_values, map_figure
from pipeline.report.slope_section import section_figure, slope_order
from pipeline.report.stability_chart import draw_stability, stability_figure

pytestmark = pytest.mark.usefixtures("style")
NAMES = ("A1", "B1", "C1")


@pytest.fixture
def site():
    """Return three tubes on a line to the south, 10 m a step lower, set in out of order."""
    site = build_site(tubes=NAMES)
    places = {"A1": (50.001, 310.0), "B1": (50.0, 290.0), "C1": (50.0005, 300.0)}
    tubes = tuple(
        tube.model_copy(
            update={"latitude": places[tube.tube][0], "elevation_m": places[tube.tube][1]}
        )
        for tube in site.tubes
    )
    return site.model_copy(update={"tubes": tubes})


def build_days(site, days=10, value=0.3):
    coords = {
        "day": site.axis.times(0, days * site.axis.steps_per_day)[:: site.axis.steps_per_day],
        "tube": list(NAMES),
        "depth": list(DEPTHS_M),
    }
    water = np.full((days, 3, 4), value)
    return xr.Dataset(
        {
            "daily_water_content": (tuple(coords), water),
            "by_hand": (("day", "tube"), np.zeros((days, 3), bool)),
        },
        coords,
    )


def build_table(days=100, tubes=NAMES):
    random = np.random.default_rng(1)
    places = np.linspace(-0.05, 0.05, len(tubes))
    values = xr.DataArray(
        0.3 + places + 0.004 * random.standard_normal((days, len(tubes))),
        {"tube": list(tubes)},
        ("day", "tube"),
        attrs={"units": "m3 m-3"},
    )
    found = stability(values)
    frame = found.to_dataframe().reset_index()
    return frame.assign(quantity="water_content", depth_m=0.1, layer="", **found.attrs)


def test_a_map_shows_the_last_week_at_each_depth(site):
    days = build_days(site)
    days["daily_water_content"][:3] = 0.9  # more than a week ago
    days["daily_water_content"][-1, 1] = np.nan
    days["daily_water_content"][-2, 1, 0] = 0.37
    values, by_hand, text = last_values(site, days)
    # by hand: six days, five of 0.3 and one of 0.37
    assert values[1, 0] == pytest.approx((5 * 0.3 + 0.37) / 6)
    assert values[0, 0] == pytest.approx(0.3)
    assert not by_hand.any()
    assert text == "means of 4 Mar to 10 Mar 2025"
    figure = map_figure(site, days, {0.1: {"B1"}})
    panels = [axes for axes in figure.axes if axes.get_title(loc="left")]
    assert [axes.get_title(loc="left") for axes in panels] == [
        "10 cm",
        "20 cm",
        "40 cm",
        "80 cm",
    ]
    assert len(find(figure, "ring")) == 1
    assert len(find(figure, "north")) == 1


def test_places_and_scale_of_a_map_are_in_metres(site):
    figure = map_figure(site, build_days(site), {})
    (points,) = [p for p in find(figure.axes[0], "tube")]
    north = points.get_offsets()[:, 1]
    # by hand: a thousandth of a degree of latitude is 111.2 m at 50 degrees
    assert np.ptp(north) == pytest.approx(111.2, abs=0.1)
    (bar,) = find(figure, "scale")
    assert np.ptp(bar.get_xdata()) in (10, 20, 50)
    assert f"{np.ptp(bar.get_xdata()):g} m" in [t.get_text() for t in bar.axes.texts]
    # A metre is as long in the key as in the maps.
    per_inch = [
        np.ptp(axes.get_xlim()) / axes.get_position().width
        for axes in (bar.axes, figure.axes[0])
    ]
    assert per_inch[0] == pytest.approx(per_inch[1])


def collisions(figure, texts):
    """Return the pairs of texts that are written over each other."""
    boxes = [(t.get_text(), t.get_window_extent(figure.canvas.get_renderer())) for t in texts]
    return [
        (one[0], other[0])
        for number, one in enumerate(boxes)
        for other in boxes[number + 1 :]
        if one[1].overlaps(other[1])
    ]


def many_tubes(site, count):
    """Return the site with ``count`` tubes 5 m apart, each a metre lower than the last."""
    tubes = tuple(
        site.tubes[0].model_copy(
            update={
                "tube": f"K{n:02d}",
                "latitude": -35.0 - 4.5e-5 * n,
                "elevation_m": 300.0 - n,
            }
        )
        for n in range(count)
    )
    return site.model_copy(update={"tubes": tubes})


def test_nothing_on_a_map_is_written_over_a_name(site):
    beside = site.tubes[2].model_copy(update={"tube": "C1b", "latitude": 50.00050001})
    site = site.model_copy(update={"tubes": (*site.tubes, beside)})
    days = xr.concat([build_days(site), build_days(site).isel(tube=[2])], "tube")
    figure = map_figure(site, days.assign_coords(tube=[*NAMES, "C1b"]), {})
    first = figure.axes[0]
    assert collisions(figure, find(first, "name")) == []
    assert len(find(first, "name")) == 4
    for gid in ("scale", "north", "downhill"):
        assert len(find(figure, gid)) == 1
        assert find(first, gid) == []


def test_hand_read_tubes_have_a_shape_of_their_own(site):
    days = build_days(site)
    days["by_hand"][:, 2] = True
    assert last_values(site, days)[1].tolist() == [False, False, True]
    labels = [t.get_text() for t in map_figure(site, days, {}).legends[0].get_texts()]
    assert labels == ["tube, logged", "tube, read by hand"]


def test_tubes_are_ordered_down_the_slope(site):
    order, places, meant = slope_order(site)
    assert [NAMES[tube] for tube in order] == ["A1", "C1", "B1"]
    # by hand: half a thousandth of a degree is 55.6 m
    assert [places[tube] for tube in order] == ["0 m", "56 m", "111 m"]
    assert meant == "metres from the uppermost"
    level = site.model_copy(
        update={"tubes": tuple(t.model_copy(update={"elevation_m": 5.0}) for t in site.tubes)}
    )
    assert slope_order(level) == ([0, 1, 2], ["5.0 m"] * 3, "elevations")


def test_a_section_has_a_strip_for_each_tube(site):
    days = build_days(site, days=4)
    days["daily_water_content"][1, 0] = np.nan
    days["daily_water_content"][:, 2] = np.nan
    figure = section_figure(site, days, build_rain(site))
    strips = find(figure, "water")
    assert len(strips) == 2
    assert strips[0].get_array().shape == (4, 4)
    assert np.ma.getmaskarray(strips[0].get_array()).sum() == 4
    texts = [t.get_text() for axes in figure.axes for t in axes.texts]
    assert [t.split("\n")[0] for t in texts if t.endswith(" m")] == ["A1", "C1", "B1"]
    assert "no water content in this period" in texts
    assert [t.get_text() for t in figure.legends[0].get_texts()] == ["no value"]


def test_low_strips_tell_how_far_down_they_are_and_keep_their_numbers_apart(site):
    site = many_tubes(site, 14)
    days = build_days(site).isel(tube=np.zeros(14, int))
    figure = section_figure(site, days.assign_coords(tube=[t.tube for t in site.tubes]), None)
    texts = [t.get_text() for axes in figure.axes for t in axes.texts]
    # by hand: 4.5e-5 degrees of latitude are 5.0 m
    assert texts[:3] == ["K00 0 m", "K01 5 m", "K02 10 m"]
    assert "14 tubes, with metres from the uppermost" in figure.texts[1].get_text()
    labels = [label for axes in figure.axes[:-1] for label in axes.get_yticklabels()]
    assert collisions(figure, [label for label in labels if label.get_text()]) == []


def test_low_strips_of_tubes_with_long_names_promise_no_metres(site):
    site = many_tubes(site, 14)
    named = tuple(t.model_copy(update={"tube": f"long-{t.tube}"}) for t in site.tubes)
    days = build_days(site).isel(tube=np.zeros(14, int))
    site = site.model_copy(update={"tubes": named})
    figure = section_figure(site, days.assign_coords(tube=[t.tube for t in named]), None)
    assert figure.axes[0].texts[0].get_text() == "long-K00"
    assert figure.texts[1].get_text().endswith("14 tubes, the uppermost first")


def test_ranks_are_ordered_and_the_named_are_marked(site):
    table = build_table()
    figure = stability_figure(site, table)
    (axes,) = figure.axes
    assert axes.get_title(loc="left") == "water content at 10 cm"
    assert [label.get_text() for label in axes.get_xticklabels()] == list(NAMES)
    (tubes,) = find(figure, "tube")
    expected = 100 * np.sort(table["mean_relative_difference"])
    np.testing.assert_allclose(tubes.get_ydata(), expected)
    assert find(figure, "direct")[0].get_xdata().tolist() == [2.0]
    assert axes.get_ylabel() == "difference (%)"
    assert "100 days, worth about" in figure.texts[2].get_text()


def test_tubes_that_are_not_sound_are_marked_and_the_mark_is_explained(site):
    figure = stability_figure(site, build_table(), {NAMES[1], "elsewhere"})
    names = [label.get_text() for label in figure.axes[0].get_xticklabels()]
    assert names == [NAMES[0], f"{NAMES[1]}*", NAMES[2]]
    legend = [text.get_text() for text in figure.legends[0].get_texts()]
    assert legend[-1] == "* not sound: see its health"


@pytest.mark.parametrize("count", [9, 14])
def test_names_of_ranked_tubes_do_not_run_into_each_other(site, count):
    names = tuple(f"K{n:02d}" for n in range(count))
    figure = stability_figure(site, build_table(tubes=names), set(names))
    labels = figure.axes[0].get_xticklabels()
    assert sorted(label.get_text() for label in labels) == [f"{name}*" for name in names]
    assert collisions(figure, labels) == []
    assert all(label.get_size() >= 9 for label in labels)


def test_many_tubes_keep_only_the_names_that_count(site):
    table = build_table(tubes=tuple(f"P{n:02d}" for n in range(20)))
    names = [t.get_text() for t in stability_figure(site, table).axes[0].get_xticklabels()]
    named = table[table["direct"] | table["with_offset"]]["tube"]
    assert set(names) == {"", *named}


def test_nothing_to_draw_is_drawn(site, tmp_path):
    days = build_days(site, value=np.nan)
    for path in (
        draw_map(site, days, {}, tmp_path / "map.png"),
        draw_stability(site, build_table().iloc[:0], tmp_path / "ranks.png"),
    ):
        assert path.read_bytes()[:4] == b"\x89PNG"
    assert section_figure(site, days.isel(day=slice(0)), None).axes


def test_bytes_are_the_same_for_the_same_input(site, tmp_path):
    table = pd.concat([build_table(), build_table().assign(depth_m=0.4)])
    paths = [draw_stability(site, table, tmp_path / name) for name in ("one.png", "two.png")]
    assert paths[0].read_bytes() == paths[1].read_bytes()
