"""The storage picture: lines, bands and hand rounds. Expected numbers are worked by hand."""

import io

import numpy as np
import pytest
from picture_site import build_products, build_rain, build_rounds, build_site, find
from PIL import Image

from pipeline.report.storage_chart import draw_storage, spread, storage_figure
from pipeline.report.storage_lines import lone_values

pytestmark = pytest.mark.usefixtures("style")

NO_ROUNDS = build_rounds()


def legend_texts(figure):
    return [text.get_text() for legend in figure.legends for text in legend.get_texts()]


def band_of(collection):
    """Return the lowest and highest edge of a filled band."""
    heights = np.concatenate([path.vertices[:, 1] for path in collection.get_paths()])
    return heights.min(), heights.max()


def test_lines_and_bands_are_the_storage_and_its_95_percent_interval(site):
    figure = storage_figure(site, "A1", build_products(site), None, NO_ROUNDS)
    lines, bands = find(figure, "storage"), find(figure, "band")
    assert [set(line.get_ydata()) for line in lines] == [{80.0}, {240.0}]
    # By hand: random 3 and systematic 4 mm make 5 mm; 1.96 * 5 = 9.8 mm to each side.
    np.testing.assert_allclose(band_of(bands[0]), (70.2, 89.8))
    np.testing.assert_allclose(band_of(bands[1]), (230.2, 249.8))
    assert legend_texts(figure) == ["95 % interval"]


def test_gaps_are_not_bridged_and_a_lone_value_is_still_seen(site):
    products = build_products(site)
    products["storage"][100:200, 0, 0] = np.nan
    products["storage"][150, 0, 0] = 80.0
    figure = storage_figure(site, "A1", products, None, NO_ROUNDS)
    line, lone = find(figure, "storage")[0], find(figure, "lone")[0]
    gap = np.isnan(line.get_ydata())
    assert gap.sum() == 99
    assert gap[100:200].sum() == 99
    assert len(find(figure, "band")[0].get_paths()) >= 2
    np.testing.assert_allclose(lone.get_xydata(), [[20148 + 150 / 96, 80.0]])


def test_lone_values_have_no_neighbour():
    values = np.array([1, np.nan, 2, 3, np.nan, np.nan, 4, np.nan, 5])
    assert np.flatnonzero(lone_values(values)).tolist() == [0, 6, 8]


def test_each_layer_is_named_at_its_line_with_its_depths(site):
    figure = storage_figure(site, "A1", build_products(site), None, NO_ROUNDS)
    assert [label.get_text() for label in find(figure, "layer")] == [
        "topsoil\n0–30 cm",
        "profile\n0–80 cm",
    ]


def test_a_name_is_not_joined_to_a_record_that_ended_by_what_looks_like_its_line(site):
    products = build_products(site)
    products["storage"][100:, 0, 0] = np.nan
    figure = storage_figure(site, "A1", products, None, NO_ROUNDS)
    joins = [label.arrow_patch for label in find(figure, "layer")]
    assert [join.get_linestyle() for join in joins] == [":", ":"]
    assert {line.get_linestyle() for line in find(figure, "storage")} == {"-"}


def test_no_interval_is_promised_where_no_uncertainty_is_known(site):
    products = build_products(site)
    for name in ("storage_random_error", "storage_systematic_error"):
        products[name][:] = np.nan
    figure = storage_figure(site, "A1", products, None, NO_ROUNDS)
    assert legend_texts(figure) == ["uncertainty not known"]


def test_a_layer_without_values_is_said_to_have_none(site):
    products = build_products(site)
    products["storage"][:, 0, 1] = np.nan
    figure = storage_figure(site, "A1", products, None, NO_ROUNDS)
    assert "profile 0–80 cm: no value" in legend_texts(figure)
    assert [label.get_text() for label in find(figure, "layer")] == ["topsoil\n0–30 cm"]


def test_labels_keep_their_distance_and_order_and_stay_inside():
    moved = spread(np.array([0.99, 0.5, 0.52, 0.98]), 0.1)
    assert moved.max() <= 1.0
    assert np.argsort(moved).tolist() == [1, 2, 3, 0]
    assert np.diff(np.sort(moved)).min() >= 0.1 - 1e-12
    assert spread(np.array([0.2, 0.7]), 0.1).tolist() == [0.2, 0.7]


def test_suspect_storage_is_marked_on_its_line(site):
    products = build_products(site)
    products["storage_quality"][96, 0, 1] = 3
    products["storage_quality"][200, 0, 0] = 9
    figure = storage_figure(site, "A1", products, None, NO_ROUNDS)
    (suspect,) = find(figure, "suspect")
    assert suspect.get_xydata().tolist() == [[20149.0, 240.0]]
    assert "suspect: 1 value" in legend_texts(figure)


def test_hand_rounds_are_summed_by_the_rules_of_the_site(site):
    rounds = build_rounds(
        (10, "A1", 0.0, 0.1, 0.2), (10, "A1", 0.0, 0.2, 0.3), (10, "A1", 0.0, 0.4, 0.4)
    )
    figure = storage_figure(site, "A1", build_products(site), None, rounds)
    top, profile = find(figure, "hand")
    # By hand, trapezoids with 0.2 carried up to the surface: 0-10 cm 20 mm, 10-20 cm 25 mm,
    # 20-30 cm from 0.30 to 0.35 is 32.5 mm; 0-80 cm is deeper than the round went.
    np.testing.assert_allclose(top.get_xydata(), [[20148 + 10 / 24, 77.5]])
    assert np.isnan(profile.get_ydata()).all()
    assert "hand round" in legend_texts(figure)


def test_each_direction_of_a_hand_round_counts_once(site):
    # By hand: ((0.2 + 0.4) / 2 + 0.1) / 2 = 0.2 over 300 mm; the last depth is below them.
    book = (0.0, 0.2), (0.0, 0.4), (120.0, 0.1)
    rounds = build_rounds(
        *((10, "A1", angle, depth, value) for angle, value in book for depth in (0.1, 0.4))
    )
    top, _ = find(storage_figure(site, "A1", build_products(site), None, rounds), "hand")
    np.testing.assert_allclose(top.get_ydata(), [60.0])


def test_a_hand_round_cut_short_is_not_carried_down(site):
    derive = site.derive.model_copy(update={"below_last_sensor": "constant"})
    below = site.model_copy(update={"derive": derive})
    whole = [(10, "A1", 0.0, depth, 0.2) for depth in (0.1, 0.2, 0.4)]
    rounds = build_rounds(*whole, (34, "A1", 0.0, 0.1, 0.2), (34, "A1", 0.0, 0.2, 0.2))
    _, profile = find(storage_figure(below, "A1", build_products(site), None, rounds), "hand")
    np.testing.assert_allclose(profile.get_ydata(), [160.0, np.nan])  # 0.2 * 800 mm


def test_a_tube_read_by_hand_alone_has_its_rounds_with_the_layers_named(site):
    products = build_products(site)
    products["storage"][:] = np.nan
    rounds = build_rounds((10, "A1", 0.0, 0.1, 0.2), (10, "A1", 0.0, 0.8, 0.2))
    figure = storage_figure(site, "A1", products, None, rounds)
    # By hand: 0.2 all the way down is 60 mm in 30 cm and 160 mm in 80 cm.
    heights = [line.get_ydata()[0] for line in find(figure, "hand")]
    assert heights == pytest.approx([60.0, 160.0])
    assert [text.get_text() for text in find(figure, "layer")] == [
        "topsoil\n0–30 cm",
        "profile\n0–80 cm",
    ]
    assert legend_texts(figure) == ["hand round"]
    low, high = figure.axes[0].get_ylim()
    assert low < 60 < 160 < high
    assert figure.texts[1].get_text() == "1 Mar to 4 Mar 2025; means of hand rounds"


def test_a_suspect_value_is_seen_above_the_hand_round_of_its_hour(site):
    products = build_products(site)
    products["storage_quality"][40, 0, 0] = 3
    rounds = build_rounds((10, "A1", 0.0, 0.4, 0.2))
    figure = storage_figure(site, "A1", products, None, rounds)
    (mark,) = find(figure, "suspect")
    assert all(mark.get_zorder() > hand.get_zorder() for hand in find(figure, "hand"))


def test_axes_say_units_and_standard_time(site):
    figure = storage_figure(site, "A1", build_products(site), build_rain(site), NO_ROUNDS)
    storage, rain = figure.axes
    assert storage.get_ylabel() == "stored water (mm)"
    assert "UTC+01:00" in storage.get_xlabel()
    assert rain.get_ylabel().startswith("rain\n(mm/")


@pytest.mark.parametrize("case", ["no values", "no tube", "no time", "no layer"])
def test_a_tube_without_storage_is_said_to_have_none(site, case, tmp_path):
    products = build_products(site)
    products["storage"][:] = np.nan
    if case == "no tube":
        products = products.sel(tube=["B1"])
    if case == "no time":
        products = products.isel(time=slice(0))
    if case == "no layer":
        products = products.isel(layer=slice(0))
    figure = storage_figure(site, "A1", products, None, NO_ROUNDS)
    said = [text.get_text() for text in figure.axes[0].texts]
    assert said == ["no stored water in this period"]
    path = draw_storage(site, "A1", products, None, NO_ROUNDS, tmp_path / "a.png")
    assert Image.open(io.BytesIO(path.read_bytes())).format == "PNG"


def test_bytes_are_the_same_for_the_same_input(tmp_path):
    site = build_site()
    rain, products = build_rain(site, value=0.1), build_products(site)
    paths = [
        draw_storage(site, "A1", products, rain, NO_ROUNDS, tmp_path / name)
        for name in ("one.png", "two.png")
    ]
    assert paths[0].read_bytes() == paths[1].read_bytes()
