"""The picture of what a change of the description changed."""

import numpy as np
import pytest

from pipeline.report.change_chart import Change, change_figure, draw_change, line_look

pytestmark = pytest.mark.usefixtures("style")


def build_change(lines=("T1, topsoil", "T1, root_zone")):
    """Return a change of one sensor and of layers that all change by the same."""
    days = np.arange(20148, 20158)  # from 1 March 2025 on
    return Change(
        days=days,
        sensors=["T1 10 cm"],
        water=np.full((1, days.size), 0.01),
        lines=list(lines),
        storage=np.full((len(lines), days.size), 1.5),
        utc_offset_s=3600,
    )


def test_axes_say_units_and_zone():
    figure = change_figure(build_change(), "meadow", ["from A to B"])
    water, bar, storage = figure.axes
    assert storage.get_xlabel() == "date in the site's standard time (UTC+01:00)"
    assert storage.get_ylabel() == "change of\nstored water (mm)"
    assert bar.get_ylabel() == "change (m³ m⁻³)"
    assert [label.get_text() for label in water.get_yticklabels()] == ["T1 10 cm"]


def test_of_two_lines_on_each_other_both_are_seen():
    storage = change_figure(build_change(), "meadow", []).axes[-1]
    below, above = storage.lines[1:]
    assert below.get_linestyle() == "-"
    assert above.get_linestyle() != "-"
    assert below.get_color() != above.get_color()


def test_bytes_are_the_same_for_the_same_input_and_nothing_can_be_drawn(tmp_path):
    paths = [
        draw_change(build_change(), "$x$", ["a"], tmp_path / name)
        for name in ("a.png", "b.png")
    ]
    assert paths[0].read_bytes() == paths[1].read_bytes()
    empty = build_change(lines=())
    said = [t.get_text() for t in change_figure(empty, "meadow", []).axes[-1].texts]
    assert said == ["no stored water changed"]


def test_no_two_of_many_lines_look_the_same():
    assert len({line_look(number) for number in range(18)}) == 18
