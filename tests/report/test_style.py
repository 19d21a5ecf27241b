"""Text that cannot break a picture, settings that cannot leak, colours all can tell apart."""

import itertools
import threading

import matplotlib
import numpy as np
import pytest
from matplotlib import colormaps
from matplotlib.colors import to_rgb
from picture_site import build_products, build_rounds, build_site, build_water, find

from pipeline.report.site_chart import draw_site
from pipeline.report.storage_chart import draw_storage
from pipeline.report.style import PALETTE, WATER_MAP, drawing, plain
from pipeline.report.water_chart import draw_water, water_figure

NO_ROUNDS = build_rounds()
HOSTILE = "$x_1^2$ <b>\\frac{1}</b>\n&amp; _a_ \x07\u202eabc 漢 %s {0}"


def test_text_is_one_line_of_what_can_be_drawn():
    assert plain("a\n b\t\x07c\u202ed") == "a b cd"
    assert plain("漢 ü µ ³") == "� ü µ ³"
    assert plain("x" * 100, 10) == "x" * 9 + "…"
    assert plain("$x_1$ <b>") == "$x_1$ <b>"


def test_hostile_names_are_drawn_as_they_stand(tmp_path):
    site = build_site(soil_title=HOSTILE, title=HOSTILE)
    with drawing():
        figure = water_figure(site, "A1", build_water(site), None, NO_ROUNDS)
        subtitle = find(figure, "subtitle")[1]
        assert subtitle.get_text().startswith("soil: $x_1^2$ <b>\\frac{1}</b> &amp; _a_ abc �")
        assert not any(t.get_parse_math() for t in figure.texts)
    # Read as mathematics, the text would stop the drawing here.
    draw_water(site, "A1", build_water(site), None, NO_ROUNDS, tmp_path / "w.png")
    draw_storage(site, "A1", build_products(site), None, NO_ROUNDS, tmp_path / "s.png")
    draw_site(site, build_products(site), None, NO_ROUNDS, tmp_path / "site.png")
    assert len(list(tmp_path.glob("*.png"))) == 3


def test_a_users_own_settings_change_nothing_and_are_left_alone(site, tmp_path):
    water = build_water(site)
    plain_bytes = draw_water(site, "A1", water, None, NO_ROUNDS, tmp_path / "a.png")
    own = {"text.usetex": True, "font.size": 30.0, "axes.grid": True, "timezone": "Asia/Tokyo"}
    with matplotlib.rc_context(own):
        path = draw_water(site, "A1", water, None, NO_ROUNDS, tmp_path / "b.png")
        assert {key: matplotlib.rcParams[key] for key in own} == own
    assert path.read_bytes() == plain_bytes.read_bytes()


def test_pictures_drawn_in_threads_are_those_drawn_one_by_one(site, tmp_path):
    water = build_water(site)
    alone = draw_water(site, "A1", water, None, NO_ROUNDS, tmp_path / "alone.png").read_bytes()
    paths = [tmp_path / f"{number}.png" for number in range(3)]
    threads = [
        threading.Thread(target=draw_water, args=(site, "A1", water, None, NO_ROUNDS, path))
        for path in paths
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [path.read_bytes() == alone for path in paths] == [True] * 3


def test_a_drawing_that_fails_leaves_settings_and_the_last_picture(site, tmp_path):
    path = tmp_path / "a.png"
    draw_water(site, "A1", build_water(site), None, NO_ROUNDS, path)
    before, size = path.read_bytes(), matplotlib.rcParams["font.size"]
    with pytest.raises(KeyError):
        draw_water(site, "nowhere", build_water(site), None, NO_ROUNDS, path)
    assert path.read_bytes() == before
    assert matplotlib.rcParams["font.size"] == size
    assert list(tmp_path.iterdir()) == [path]


# Machado, Oliveira & Fernandes (2009), IEEE Trans. Vis. Comput. Graph. 15(6), 1291-1298,
# doi:10.1109/TVCG.2009.113: full deficiency, on linear RGB. From memory; rows add up to 1.
DEFICIENCY = {
    "none": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# Linear sRGB to XYZ relative to the D65 white: IEC 61966-2-1:1999. From memory.
TO_XYZ = np.array(
    [
        [0.4124, 0.3576, 0.1805],
        [0.2126, 0.7152, 0.0722],
        [0.0193, 0.1192, 0.9505],
    ]
)


def lab_seen(rgb, deficiency):
    """Return CIE 1976 L*a*b* of sRGB colours as seen with a deficiency."""
    rgb = np.asarray(rgb, float)
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.array(DEFICIENCY[deficiency]).T, 0, 1)
    ratio = seen @ TO_XYZ.T / TO_XYZ.sum(axis=1)
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def test_lab_of_known_colours():
    # By definition white is (100, 0, 0) and black (0, 0, 0).
    np.testing.assert_allclose(lab_seen([1, 1, 1], "none"), [100, 0, 0], atol=1e-9)
    np.testing.assert_allclose(lab_seen([0, 0, 0], "none"), [0, 0, 0], atol=1e-9)


@pytest.mark.parametrize("deficiency", DEFICIENCY)
def test_water_map_darkens_steadily_for_every_eye(deficiency):
    lightness = lab_seen(colormaps[WATER_MAP](np.linspace(0, 1, 256))[:, :3], deficiency)[:, 0]
    steps = np.diff(lightness)
    assert (steps < 0).all()
    assert lightness[0] - lightness[-1] > 60
    if deficiency != "tritanopia":  # one in some ten thousand; its steps are less even
        # No step is far from the mean one, so that equal changes of water look equal.
        assert np.abs(steps / steps.mean() - 1).max() < 0.5


@pytest.mark.parametrize("deficiency", DEFICIENCY)
def test_lines_of_layers_are_told_apart_by_every_eye(deficiency):
    colours = lab_seen([to_rgb(colour) for colour in PALETTE], deficiency)
    distances = [np.linalg.norm(a - b) for a, b in itertools.combinations(colours, 2)]
    # About 2.3 is just noticeable (Mahy, Van Eycken & Oosterlinck 1994; from memory); a thin
    # line needs several times as much.
    assert min(distances) > 10
