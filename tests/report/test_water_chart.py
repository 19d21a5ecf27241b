"""The water picture: what is drawn is what was given. Expected numbers are worked by hand."""

import io

import numpy as np
import pytest
from matplotlib import colormaps
from picture_site import (
    DEPTHS_M,
    START,
    build_rain,
    build_rounds,
    build_site,
    build_water,
    find,
)
from PIL import Image

from pipeline.report.style import DPI, WATER_MAP, WIDTH_IN
from pipeline.report.water_chart import band_edges, colour_range, draw_water, water_figure

pytestmark = pytest.mark.usefixtures("style")

NO_ROUNDS = build_rounds()


def legend_texts(figure):
    return [text.get_text() for legend in figure.legends for text in legend.get_texts()]


def texts(figure):
    return [text.get_text() for text in figure.findobj(lambda a: hasattr(a, "get_text"))]


def set_cells(water, name, tube, depth, steps, value):
    water[name].loc[{"tube": tube, "depth": depth}][steps] = value


def test_bands_meet_midway_between_sensors_and_stop_at_the_surface():
    # By hand: midways of 10, 20, 40, 80; first 10 - 5, last 80 + 20.
    assert band_edges(np.array([10.0, 20, 40, 80])).tolist() == [5, 15, 30, 60, 100]
    # 5 - 15 would be above the ground.
    assert band_edges(np.array([5.0, 35])).tolist() == [0, 20, 50]
    assert band_edges(np.array([30.0])).tolist() == [25, 35]


def test_mesh_has_the_values_at_the_real_depths_and_standard_times():
    site = build_site(set_in_m=0.05)
    water = build_water(site, days=4)
    values = water["cleaned_water_content"]
    values[:] = 0.1 + 0.05 * np.arange(4)
    set_cells(water, "cleaned_water_content", "B1", 0.2, slice(100, 101), 0.42)
    (mesh,) = find(water_figure(site, "B1", water, None, NO_ROUNDS), "water")
    assert mesh.get_array().shape == (4, 384)
    np.testing.assert_array_equal(mesh.get_array()[:, 0], values[0, 1])
    assert mesh.get_array()[1, 100] == np.float32(0.42)
    corners = mesh.get_coordinates()
    # By hand: 15, 25, 45, 85 cm with the set-in offset of 5 cm.
    np.testing.assert_allclose(corners[:, 0, 1], [10, 20, 35, 65, 105])
    # 1 March 2025 is day 20148; a reading's cell reaches half of 15 min to each side.
    np.testing.assert_allclose(corners[0, :2, 0], 20148 + np.array([-0.5, 0.5]) / 96)


def test_long_records_are_means_over_a_stated_time(site):
    water = build_water(site, days=120)
    ramp = np.linspace(0.1, 0.4, 11520, dtype=np.float32)
    water["cleaned_water_content"][:] = ramp[:, None, None]
    figure = water_figure(site, "A1", water, None, NO_ROUNDS)
    (mesh,) = find(figure, "water")
    # By hand: 11520 steps in at most 1000 columns need 12 steps, 3 h, each.
    assert mesh.get_array().shape == (4, 960)
    blocks = ramp.astype(float).reshape(960, 12).mean(axis=1)
    np.testing.assert_allclose(mesh.get_array()[2], blocks, rtol=1e-12)
    assert any("means over 3 h" in text for text in texts(figure))


def test_cells_without_a_value_stay_blank_over_hatching(site):
    water = build_water(site)
    set_cells(water, "cleaned_water_content", "A1", 0.4, slice(50, 60), np.nan)
    water = water.isel(time=np.r_[0:200, 240:384])  # steps that are not there at all
    figure = water_figure(site, "A1", water, None, NO_ROUNDS)
    (mesh,) = find(figure, "water")
    blank = np.zeros((4, 384), bool)
    blank[2, 50:60] = True
    blank[:, 200:240] = True
    np.testing.assert_array_equal(np.ma.getmaskarray(mesh.get_array()), blank)
    assert len(find(figure, "gap")) == 1
    assert legend_texts(figure) == ["no value"]


def test_a_record_without_gaps_or_flags_has_no_legend(site):
    figure = water_figure(site, "A1", build_water(site), build_rain(site), NO_ROUNDS)
    assert figure.legends == []


def test_a_source_slower_than_the_axis_does_not_look_full_of_gaps():
    slow = build_site().sources[0].model_copy(update={"interval_s": 3600})
    site = build_site(sources=(slow,))
    water = build_water(site)
    water["cleaned_water_content"][np.arange(384) % 4 != 0] = np.nan
    (mesh,) = find(water_figure(site, "A1", water, None, NO_ROUNDS), "water")
    assert mesh.get_array().shape == (4, 96)
    assert not np.ma.is_masked(mesh.get_array())


def test_flags_are_marked_at_their_depth_and_time_and_named_in_the_legend(site):
    water = build_water(site)
    set_cells(water, "quality", "A1", 0.2, slice(96, 97), 3)
    set_cells(water, "tests", "A1", 0.2, slice(96, 97), 8)
    set_cells(water, "quality", "A1", 0.8, slice(192, 194), 4)
    set_cells(water, "tests", "A1", 0.8, slice(192, 194), 32 | 4)
    set_cells(water, "quality", "B1", 0.1, slice(0, 300), 4)  # another tube
    figure = water_figure(site, "A1", water, None, NO_ROUNDS)
    (suspect,), (bad,) = find(figure, "suspect"), find(figure, "bad")
    assert suspect.get_xydata().tolist() == [[20149.0, 20.0]]
    # Both bad values fall into one slot of 4 d / 56; the first is marked.
    assert bad.get_xydata().tolist() == [[20150.0, 80.0]]
    assert suspect.get_marker() != bad.get_marker()
    assert legend_texts(figure) == [
        "suspect: 1 value (rate of change)",
        "bad: 2 values (gross range, spike)",
    ]


def test_hand_rounds_are_means_of_directions_in_the_colours_of_the_scale():
    site = build_site(set_in_m=0.05)
    water = build_water(site)
    rounds = build_rounds(
        (30, "A1", 0.0, 0.2, 0.20),
        (31, "A1", 120.0, 0.2, 0.24),
        (31, "B1", 0.0, 0.2, 0.50),
        (30, "A1", 0.0, 0.4, np.nan),
        (900, "A1", 0.0, 0.4, 0.3),  # after the picture's period
    )
    rounds.loc[5] = rounds.loc[0]
    rounds.loc[5, ["quantity", "value"]] = "voltage", 0.9
    figure = water_figure(site, "A1", water, None, rounds)
    (marks,), (mesh,) = find(figure, "hand"), find(figure, "water")
    # By hand: 30.5 h after midnight of day 20148; 20 cm set in by 5 cm; mean of .20 and .24.
    np.testing.assert_allclose(marks.get_offsets(), [[20148 + 30.5 / 24, 25.0]])
    expected = colormaps[WATER_MAP](mesh.norm(0.22))
    np.testing.assert_allclose(marks.get_facecolor(), [expected])
    assert legend_texts(figure) == ["hand round, coloured by its value"]


def test_a_tube_read_by_hand_alone_shows_its_rounds_at_their_depths(site):
    water = build_water(site)
    water["cleaned_water_content"][:] = np.nan
    rounds = build_rounds((30, "A1", 0.0, 0.2, 0.22), (30, "A1", 0.0, 0.6, 0.38))
    figure = water_figure(site, "A1", water, None, rounds)
    (marks,) = find(figure, "hand")
    day = 20148 + 30 / 24
    np.testing.assert_allclose(marks.get_offsets(), [[day, 20.0], [day, 60.0]])
    # By hand: the scale runs in steps of 0.05 from 0.20 to 0.40.
    expected = colormaps[WATER_MAP](np.array([0.1, 0.9]))
    np.testing.assert_allclose(marks.get_facecolor(), expected)
    assert "water content (m³ m⁻³)" in texts(figure)
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert labels == ["0", "20", "60"]
    assert legend_texts(figure) == ["hand round, coloured by its value"]
    assert figure.texts[1].get_text() == "1 Mar to 4 Mar 2025; means of hand rounds"


def test_a_spike_does_not_flatten_the_colours():
    values = np.full(1000, 0.2)
    values[0] = 0.7
    norm, extend = colour_range(values, np.empty(0))
    assert (norm.vmin, norm.vmax, extend) == (pytest.approx(0.2), pytest.approx(0.25), "max")


def test_axes_say_what_they_are_in_which_units(site):
    figure = water_figure(site, "A1", build_water(site), build_rain(site), NO_ROUNDS)
    water, rain = figure.axes
    assert water.get_ylabel() == "depth (cm)"
    assert "UTC+01:00" in water.get_xlabel()
    # Four days: bars of an hour would be 96, the shortest that are not more than 150.
    assert rain.get_ylabel() == "rain\n(mm/h)"
    assert "water content (m³ m⁻³)" in texts(figure)
    assert water.get_ylim() == (100.0, 0.0)
    assert rain.get_ylim()[0] > rain.get_ylim()[1] == 0
    labels = [label.get_text() for label in water.get_yticklabels()]
    assert labels == ["0", "10", "20", "40", "80"]


def test_title_tells_tube_period_soil_and_offset():
    site = build_site(set_in_m=-0.02)
    figure = water_figure(site, "A1", build_water(site), None, NO_ROUNDS)
    written = [text.get_text() for text in figure.texts]
    assert written == [
        "A1: water content",
        "1 Mar to 4 Mar 2025",
        "soil: loam over till, tube set 2 cm higher",
    ]


@pytest.mark.parametrize("case", ["no values", "no tube", "no time", "no rounds' columns"])
def test_a_tube_without_data_is_said_to_have_none(site, case, tmp_path):
    water = build_water(site)
    water["cleaned_water_content"][:] = np.nan
    if case == "no tube":
        water = water.sel(tube=["B1"])
    if case == "no time":
        water = water.isel(time=slice(0))
    rounds = NO_ROUNDS[["time_s", "tube"]] if case == "no rounds' columns" else NO_ROUNDS
    figure = water_figure(site, "A1", water, build_rain(site), rounds)
    assert "no water content in this period" in texts(figure)
    path = draw_water(site, "A1", water, build_rain(site), rounds, tmp_path / "a.png")
    assert Image.open(io.BytesIO(path.read_bytes())).size[0] == round(WIDTH_IN * DPI)


def test_a_sensor_above_the_ground_or_not_wired_is_not_drawn():
    site = build_site(set_in_m=-0.15)
    wiring = tuple(w for w in site.wiring if w.depth_m != DEPTHS_M[-1] or w.tube == "B1")
    site = site.model_copy(update={"wiring": wiring})
    (mesh,) = find(water_figure(site, "A1", build_water(site), None, NO_ROUNDS), "water")
    # By hand: 10 cm stands 5 cm above ground, 80 cm is not wired; 5 and 25 cm are left.
    np.testing.assert_allclose(mesh.get_coordinates()[:, 0, 1], [0, 15, 35])


def test_png_decodes_and_its_bytes_depend_on_the_input_alone(site, tmp_path):
    water, rain = build_water(site), build_rain(site, value=0.2)
    rounds = build_rounds((30, "A1", 0.0, 0.2, 0.25))
    first, second = (
        draw_water(site, "A1", water, rain, rounds, tmp_path / name).read_bytes()
        for name in ("one.png", "below/two.png")
    )
    assert first == second
    image = Image.open(io.BytesIO(first))
    assert image.size[0] == round(WIDTH_IN * DPI)
    assert not {"Software", "Creation Time", "date:create"} & set(image.info)
    water["cleaned_water_content"][10] = 0.1
    other = draw_water(site, "A1", water, rain, rounds, tmp_path / "one.png").read_bytes()
    assert other != first


def test_start_is_the_midnight_the_hand_calculations_count_from():
    assert (START.timestamp() + 3600) / 86400 == 20148
