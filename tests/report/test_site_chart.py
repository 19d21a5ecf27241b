"""The picture of the whole site. Expected numbers are worked by hand."""

import io

import numpy as np
import pytest
from picture_site import build_products, build_rain, build_rounds, build_site, find
from PIL import Image

from pipeline.report.site_chart import MOST_STRIPS, draw_site, shown_layer, site_figure

pytestmark = pytest.mark.usefixtures("style")

NO_ROUNDS = build_rounds()


def test_each_tube_has_a_strip_on_one_scale_among_the_others():
    site = build_site(tubes=("A1", "B1", "C1"))
    products = build_products(site)
    products["storage"][:, :, 1] = np.array([200.0, 250.0, 300.0])
    figure = site_figure(site, products, build_rain(site), NO_ROUNDS)
    *strips, rain = figure.axes
    assert [line.get_ydata()[0] for line in find(figure, "storage")] == [200, 250, 300]
    assert len({strip.get_ylim() for strip in strips}) == 1
    assert [strip.texts[0].get_text() for strip in strips] == ["A1", "B1", "C1"]
    others = [line for line in strips[1].lines if line.get_gid() == "others"]
    assert [line.get_ydata()[0] for line in others] == [200, 300]
    # By hand: 0-80 cm is thicker than 0-30 cm.
    assert [text.get_text() for text in figure.texts] == [
        "Invented meadow",
        "water stored in 0–80 cm: 3 tubes, on one scale",
        "1 Mar to 4 Mar 2025",
        "stored water (mm)",
    ]
    assert "UTC+01:00" in strips[-1].get_xlabel()
    assert rain.get_ylabel().startswith("rain\n(mm/")


def test_the_layer_shown_is_the_thickest_that_most_tubes_have():
    site = build_site(tubes=("A1", "B1", "C1"))
    products = build_products(site)
    assert shown_layer(site, products).name == "profile"
    products["storage"][:, 0, 1] = np.nan
    assert shown_layer(site, products).name == "topsoil"
    products["storage"][:, :2, 0] = np.nan
    assert shown_layer(site, products).name == "profile"


def test_an_empty_tube_keeps_its_strip_and_says_so(site):
    products = build_products(site)
    products["storage"][:, 1] = np.nan
    figure = site_figure(site, products, None, NO_ROUNDS)
    assert [text.get_text() for text in figure.axes[1].texts] == [
        "B1",
        "no stored water in this period",
    ]


@pytest.mark.parametrize("count", [2, MOST_STRIPS + 1])
def test_a_tube_without_a_line_shows_its_hand_rounds(count):
    names = tuple(f"P{number}" for number in range(count))
    site = build_site(tubes=names)
    products = build_products(site)
    products["storage"][:, 1] = np.nan
    rounds = build_rounds((10, "P0", 0.0, 0.8, 0.4), (10, "P1", 0.0, 0.8, 0.4))
    figure = site_figure(site, products, None, rounds)
    # By hand: one reading of 0.4 stands for 0 to 80 cm, 320 mm; P0 has its logger's line.
    shown = [part for part in find(figure, "hand") if len(_places(part))]
    (marks,) = shown
    assert _places(marks)[0].tolist() == pytest.approx(
        [20148 + 10 / 24, 320.0 if count == 2 else 1.5]
    )
    said = [text.get_text() for axes in figure.axes for text in axes.texts]
    assert "no stored water in this period" not in said
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert any(label.startswith("hand round") for label in labels)


def _places(marks):
    """Return where marks lie, (mark, 2)."""
    return marks.get_xydata() if hasattr(marks, "get_xydata") else marks.get_offsets()


def test_many_tubes_become_rows_of_colour_with_gaps_hatched():
    names = tuple(f"P{number}" for number in range(MOST_STRIPS + 1))
    site = build_site(tubes=names)
    products = build_products(site)
    products["storage"][:, :, 1] = 200.0 + np.arange(len(names))
    products["storage"][:96, 4] = np.nan
    figure = site_figure(site, products, build_rain(site), NO_ROUNDS)
    (rows,) = find(figure, "rows")
    cells = rows.get_array()
    assert cells.shape == (len(names), 384)
    np.testing.assert_array_equal(cells[:, 200], 200.0 + np.arange(len(names)))
    assert np.ma.getmaskarray(cells)[4, :96].all()
    assert np.ma.getmaskarray(cells).sum() == 96
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == list(names)
    assert [t.get_text() for t in figure.legends[0].get_texts()] == ["no value"]


@pytest.mark.parametrize("count", [2, MOST_STRIPS + 1])
def test_a_site_without_any_value_is_drawn(count, tmp_path):
    site = build_site(tubes=tuple(f"P{number}" for number in range(count)))
    products = build_products(site)
    products["storage"][:] = np.nan
    path = draw_site(site, products, None, NO_ROUNDS, tmp_path / "site.png")
    assert Image.open(io.BytesIO(path.read_bytes())).format == "PNG"
    empty = products.isel(time=slice(0))
    assert draw_site(site, empty, None, NO_ROUNDS, path).read_bytes() != b""


def test_bytes_are_the_same_for_the_same_input(site, tmp_path):
    rain, products = build_rain(site, value=0.1), build_products(site)
    paths = [
        draw_site(site, products, rain, NO_ROUNDS, tmp_path / name)
        for name in ("one.png", "two.png")
    ]
    assert paths[0].read_bytes() == paths[1].read_bytes()
