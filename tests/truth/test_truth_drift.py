"""Drift of known size, corrected between references; see `make truth` for all seeds."""

from __future__ import annotations

import numpy as np
import pytest
from truth_drift import score_drift
from truth_field import LOOKED_AT_SEEDS, make_field
from truth_site import Instruments

DAYS = 150  # as the other fields of these tests, whose soil columns are shared


@pytest.fixture(scope="module")
def drifting():
    instruments = Instruments(calibration_error=False)
    return make_field(
        LOOKED_AT_SEEDS[0], ("loam",), 3600, DAYS, instruments, ("drift",), sound_tubes=2
    )


def test_a_drifting_sensor_is_brought_back_and_no_other_is_moved(drifting):
    score = score_drift(drifting, by_hand=True)
    assert score.sensors == 1
    assert score.cells > 1000
    assert score.rmse("before") > 0.01
    assert score.rmse("after") <= 0.004
    assert (score.checked, score.moved) == (17, 0)


def test_without_hand_rounds_only_the_tube_with_references_is_held_to_them(drifting):
    score = score_drift(drifting, by_hand=False)
    assert (score.checked, score.moved) == (5, 0)
    assert score.rmse("after") < score.rmse("before")
    assert np.isfinite(score.after)
