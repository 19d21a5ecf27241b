"""The picture of a tube's health: what it shows, and that it can always be drawn."""

import numpy as np
import pandas as pd
import pytest

from pipeline.qc.findings import Verdict
from pipeline.report.health_chart import MOST_LINES, HealthEvidence, draw_health, health_figure

pytestmark = pytest.mark.usefixtures("style")

DEPTHS = np.array([0.1, 0.2, 0.4])
DAY_S = 86_400


def evidence(**changes):
    """Return evidence of a tube with a low direction at 20 cm and a void there."""
    days = np.arange(100)[:, None]
    fixed = {
        "tube": "T6",
        "verdict": Verdict.USE_WITH_CARE,
        "reason": "void seen",
        "depths_m": DEPTHS,
        "difference": 0.01 * np.sin(days + np.arange(3)) + np.array([0.0, -0.05, 0.0]),
        "noise_ratio": np.array([1.0, 1.1, 2.5]),
        "responses": pd.DataFrame(
            {
                "onset_s": DAY_S * np.array([10, 20, 30]),
                "depth_m": [0.1, 0.2, 0.2],
                "rise_in_hour": 0.05,
                "telling": [False, True, True],
            }
        ),
        "directions": pd.DataFrame(
            {
                "depth_m": np.repeat(DEPTHS, 3),
                "direction_deg": np.tile([0.0, 120.0, 240.0], 3),
                "water": [0.2, 0.2, 0.21, 0.2, 0.08, 0.21, 0.2, 0.2, 0.2],
            }
        ),
        "sentences": ("void: at 20 cm the direction 120 degrees reads 8.0 %",),
        "action": "turn the probe",
        "span_d": (0.0, 100.0),
        "utc_offset_s": 3600,
    }
    return HealthEvidence(**{**fixed, **changes})


def test_verdict_evidence_and_action_are_written():
    texts = [text.get_text() for text in health_figure(evidence()).texts]
    assert texts[0] == "T6: use with care"
    assert texts[1:3] == [
        "void: at 20 cm the direction 120 degrees reads 8.0 %",
        "do: turn the probe",
    ]


def test_how_far_the_record_went_is_told():
    # By hand: day 20286 since 1970 is 17 July 2025; the span ends where that day does.
    texts = [t.get_text() for t in health_figure(evidence(span_d=(20148.0, 20287.0))).texts]
    assert "from the record to 17 Jul 2025" in texts
    unknown = [t.get_text() for t in health_figure(evidence(span_d=(0.0, 1.0))).texts]
    assert not any("record" in text for text in unknown)


def test_each_direction_has_its_own_sign_and_place():
    turned = health_figure(evidence()).axes[0]
    assert len({line.get_marker() for line in turned.lines}) == 3
    assert len({line.get_color() for line in turned.lines}) == 3
    low = turned.lines[1]
    assert low.get_xdata()[1] == pytest.approx(8.0)
    assert low.get_ydata().tolist() == [0, 1, 2]
    assert [label.get_text() for label in turned.get_yticklabels()] == ["10", "20", "40"]


def test_telling_answers_are_marked_in_the_sites_time():
    course = health_figure(evidence()).axes[2]
    quiet, telling = course.lines
    assert quiet.get_xdata() == pytest.approx([10 + 1 / 24])
    assert telling.get_xdata() == pytest.approx([20 + 1 / 24, 30 + 1 / 24])
    assert telling.get_ydata().tolist() == [1, 1]
    assert telling.get_marker() != quiet.get_marker()


def test_what_is_not_known_is_said():
    nothing = evidence(
        responses=evidence().responses[:0],
        directions=evidence().directions[:0],
        difference=np.full((100, 3), np.nan),
        noise_ratio=np.full(3, np.nan),
        sentences=(),
        action="",
    )
    figure = health_figure(nothing)
    said = [axes.texts[0].get_text() for axes in figure.axes]
    assert len(said) == 4
    assert figure.texts[1].get_text() == "void seen"


def test_axes_say_their_units_and_zone_and_the_legend_what_bars_are():
    figure = health_figure(evidence(set_in_m=-0.05))
    assert [axes.get_xlabel() for axes in figure.axes] == [
        "water content (% by volume)",
        "difference (% by volume)",
        "date in the site's standard time (UTC+01:00)",
        "ratio to that of\nlike sensors",
    ]
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert {"90 % of the days", "half of the days, and median"} <= set(labels)
    assert "sensors named by depth as wired; the tube is set 5 cm higher" in [
        text.get_text() for text in figure.texts
    ]


def test_a_tube_without_a_logger_is_not_said_to_lack_neighbours_or_rain():
    nothing = evidence(
        responses=evidence().responses[:0],
        difference=np.full((100, 3), np.nan),
        noise_ratio=np.full(3, np.nan),
        logged=False,
    )
    said = [axes.texts[0].get_text() for axes in health_figure(nothing).axes[1:]]
    assert said == ["no logger"] * 3


def test_many_findings_do_not_push_the_panels_off_the_page():
    figure = health_figure(evidence(sentences=("noise: a long sentence of it",) * 60))
    assert len(figure.texts) <= MOST_LINES + 4
    assert "percolog tubes" in figure.texts[-2].get_text()


def test_text_of_the_site_is_drawn_as_it_stands_and_bytes_repeat(tmp_path):
    odd = evidence(sentences=("void: $x^2$ \\alpha {\x00}",), tube="A$1$")
    first = draw_health(odd, tmp_path / "a.png").read_bytes()
    assert draw_health(odd, tmp_path / "b.png").read_bytes() == first


def test_a_date_at_the_end_does_not_run_into_the_panel_beside_it():
    # By hand: day 20209 since 1970 is 1 May 2025, here the last of the record.
    figure = health_figure(evidence(span_d=(20209.0 - 364, 20209.0)))
    course, noise = figure.axes[2:4]
    date, first = course.get_xticklabels()[-1], noise.get_xticklabels()[0]
    assert date.get_text().startswith("1 May")
    renderer = figure.canvas.get_renderer()
    between = first.get_window_extent(renderer).x0 - date.get_window_extent(renderer).x1
    assert between > renderer.points_to_pixels(date.get_size())
