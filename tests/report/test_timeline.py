"""The picture of who was where when: what is drawn is what the lanes say."""

from itertools import pairwise

import numpy as np
import pytest
from matplotlib.patches import Rectangle
from picture_site import build_site, find
from PIL import Image

from pipeline.report.timeline import band_name, draw_timeline, make_bands, timeline_figure
from pipeline.site.chronicle import Lane, Mark, Span, Timeline

pytestmark = pytest.mark.usefixtures("style")

DAY = 86_400.0


def sensor(depth_m, density=(1.0, 0.0, 0.5, np.nan), labels=("P1",), tube="A1"):
    start = [0.0, *(2.0 * DAY for _ in labels[1:])]
    spans = tuple(Span(s, 4 * DAY, label) for s, label in zip(start, labels, strict=True))
    share = None if density is None else np.array(density)
    key = ("voltage", tube, depth_m)
    return Lane("sensor", tube, f"{depth_m} voltage", spans, (), key, 900, share)


def tube(name="A1", letters=()):
    marks = tuple(Mark(time, letter) for time, letter in letters)
    return Lane("tube", name, name, (Span(0.5 * DAY, 1e12, "loam"),), marks)


@pytest.fixture
def draw():
    """Return a function that draws lanes over four days of the invented site."""
    site = build_site()

    def figure(*lanes, state="ABC"):
        edges = site.start.timestamp() + np.arange(5) * DAY
        moved = [moved_to(lane, edges[0]) for lane in lanes]
        return timeline_figure(Timeline(site, edges, tuple(moved), state))

    return figure


def moved_to(lane, start):
    """Return a lane with its times counted from the start of the picture."""
    spans = tuple(Span(s.start_s + start, s.stop_s + start, s.label) for s in lane.spans)
    marks = tuple(Mark(m.time_s + start, m.letter) for m in lane.marks)
    return Lane(
        lane.kind,
        lane.group,
        lane.name,
        spans,
        marks,
        lane.sensor,
        lane.interval_s,
        lane.density,
    )


def drawn(figure, gid):
    return [p for axes in figure.axes for p in axes.patches if p.get_gid() == gid]


def test_the_depths_of_a_quantity_are_one_band():
    bands = make_bands([tube(), sensor(0.1), sensor(0.2), sensor(0.4), tube("B1")])
    assert [len(band.lanes) for band in bands] == [1, 3, 1]
    assert band_name(bands[1]) == "voltage 10–40 cm"
    tops = [band.top for band in bands]
    assert tops == sorted(tops)
    assert all(b.top >= a.top + a.height for a, b in pairwise(bands))


def test_density_is_drawn_where_known_and_gaps_are_hatched(draw):
    figure = draw(tube(), sensor(0.1), sensor(0.2, (1, 1, 1, 1)))
    [mesh] = [c for axes in figure.axes for c in axes.collections if c.get_gid() == "density"]
    cells = mesh.get_array().reshape(2, 4)
    assert cells[0].tolist(None) == [1.0, None, 0.5, None]
    [gap] = drawn(figure, "gap")
    first = figure.axes[0].get_xlim()[0]
    assert (gap.get_x() - first, gap.get_width()) == (1.0, 1.0)  # the second day
    assert "none: a gap" in texts_of_legend(figure)


def texts_of_legend(figure):
    return [text.get_text() for text in figure.legends[0].get_texts()]


def test_a_swap_is_marked_in_its_own_row(draw):
    figure = draw(tube(), sensor(0.1, labels=("P1", "P2")), sensor(0.2))
    [line] = find(figure, "swap")
    x, y = line.get_data()
    assert x[0] - figure.axes[0].get_xlim()[0] == 2.0
    bands = make_bands([tube(), sensor(0.1), sensor(0.2)])
    assert y[0] == pytest.approx(bands[1].top)
    assert y[1] == pytest.approx(bands[1].middle)  # by hand: half of two rows
    assert "another probe" in texts_of_legend(figure)


def test_without_readings_the_wiring_is_drawn_and_the_title_says_so(draw):
    figure = draw(tube(), sensor(0.1, None), state="")
    assert len(drawn(figure, "wired")) == 1
    assert not drawn(figure, "gap")
    assert any("no store yet" in text.get_text() for text in figure.texts)
    assert "all readings due" not in texts_of_legend(figure)


def test_visits_of_one_day_stand_side_by_side_and_are_explained(draw):
    letters = [(1.0 * DAY, "C"), (1.01 * DAY, "R"), (1.02 * DAY, "R"), (3 * DAY, "S")]
    figure = draw(tube(letters=letters))
    visits = [text for text in figure.axes[0].texts if text.get_gid() == "visit"]
    assert [text.get_text() for text in visits] == ["C", "R", "S"]
    places = [text.get_position()[0] for text in visits]
    assert places[1] - places[0] > 0.019 * 4 * 0.99  # by hand: a letter's share of four days
    assert {"C  cleaning", "R  reference", "S  swap"} <= set(texts_of_legend(figure))
    assert "X  removal" not in texts_of_legend(figure)


def test_a_tube_begins_where_it_was_installed(draw):
    [bar] = drawn(draw(tube()), "tube")
    assert isinstance(bar, Rectangle)
    assert bar.get_width() == 3.5  # by hand: set after half a day of four


def test_many_sensors_still_make_a_picture_that_opens():
    lanes = [sensor(0.1, tube=f"T{n}") for n in range(3000)]
    bands = make_bands(lanes)
    assert bands[-1].top + bands[-1].height <= 201.0


def test_the_same_timeline_gives_the_same_bytes(tmp_path):
    site = build_site()
    edges = site.start.timestamp() + np.arange(5) * DAY
    timeline = Timeline(site, edges, (tube(), sensor(0.1)), "ABC")
    paths = [draw_timeline(timeline, tmp_path / f"{n}.png") for n in range(2)]
    assert paths[0].read_bytes() == paths[1].read_bytes()
    with Image.open(paths[0]) as image:
        assert image.width == 1260  # 6.3 in at 200 dots
