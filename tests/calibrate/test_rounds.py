"""Hand readings to water content; expected values by hand from the laws, digits exact."""

from datetime import timedelta

import numpy as np
import pytest
from bare_site import START, make_block, make_law, make_wire
from hand_site import hand_site, table

from pipeline.calibrate.rounds import calibrate_rounds
from pipeline.calibrate.steps import water_content_step
from pipeline.site.instruments import Uncertainty
from pipeline.site.models import QcLimits, QcOverride

NO_LAW, OUTSIDE_SOIL, OUTSIDE_PROBE, IMPOSSIBLE = 4, 2, 1, 8


def one(site=None, **reading):
    return calibrate_rounds(table(reading), site or hand_site()).iloc[0]


def test_water_content_is_taken_as_it_is():
    found = one(value=0.214)
    assert found["calibrated_water_content"] == np.float32(0.214)
    assert found["outside_calibration"] == 0
    assert np.isnan(found["random_error"])
    assert np.isnan(found["systematic_error"])


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        # Topp, Davis & Annan (1980), eq. 7 at 10: 0.1883, by hand.
        ({"quantity": "permittivity", "value": 10.0}, 0.1883),
        ({"quantity": "root_permittivity", "value": np.sqrt(10.0)}, 0.1883),
        # 0.3 m lies in the second horizon: 0.1 * 4 - 0.1.
        ({"quantity": "permittivity", "value": 16.0, "depth_m": 0.3}, 0.3),
        # T2 is set 0.05 m deeper: its 0.2 m lie at 0.25 m, where the second horizon begins.
        ({"quantity": "permittivity", "value": 16.0, "depth_m": 0.2, "tube": "T2"}, 0.3),
        # Probe P1: 1 + 8 * 0.375 = 4.
        ({"quantity": "voltage", "value": 0.375, "reader": "P1", "depth_m": 0.3}, 0.3),
    ],
)
def test_signals_go_through_the_law_of_their_real_depth(reading, expected):
    found = one(**reading)
    assert found["calibrated_water_content"] == pytest.approx(expected, abs=5e-7)
    assert found["outside_calibration"] == 0


@pytest.mark.parametrize(
    ("reading", "reason"),
    [
        ({"quantity": "voltage", "value": 0.3, "reader": "Ada"}, NO_LAW),
        ({"quantity": "voltage", "value": 1.3, "reader": "P1"}, OUTSIDE_PROBE),
        ({"quantity": "permittivity", "value": -1.0}, OUTSIDE_PROBE),
        ({"quantity": "root_permittivity", "value": 7.0, "depth_m": 0.3}, OUTSIDE_SOIL),
        ({"quantity": "permittivity", "value": 10.0, "depth_m": 3.0}, NO_LAW),
    ],
)
def test_what_no_law_covers_has_no_water_content_and_a_reason(reading, reason):
    found = one(**reading)
    assert np.isnan(found["calibrated_water_content"])
    assert found["outside_calibration"] == reason


@pytest.mark.parametrize(
    ("reading", "low_high", "reason"),
    [
        ({"value": 2.0}, (0.0, 0.75), IMPOSSIBLE),  # 200 in a book of percent
        ({"value": -0.01}, (0.0, 0.75), IMPOSSIBLE),
        ({"value": 0.75}, (0.0, 0.75), 0),
        ({"value": 0.8, "tube": "T2"}, (0.0, 0.75), 0),  # peat, says an override
        ({"value": 2.0}, None, 0),
    ],
)
def test_water_content_no_soil_holds_is_none_as_if_it_were_logged(reading, low_high, reason):
    peat = QcOverride(tubes=("T2",), set={"gross_fail": (0.0, 0.95)}, why="peat")
    site = hand_site(qc=QcLimits(gross_fail=low_high), qc_overrides=(peat,))
    found = one(site, **reading)
    assert found["outside_calibration"] == reason
    known = found[["calibrated_water_content", "random_error", "systematic_error"]].notna()
    assert known.iloc[0] == (reason == 0)
    assert not known.iloc[1:].any() or reason == 0


def test_the_version_in_force_at_the_reading_counts():
    laws = (
        make_law(form="linear_root_permittivity", coefficients={"slope": 0.1, "offset": 0.0},
                 valid_from=1.0, valid_to=8.0),
        make_law(version=2, form="linear_root_permittivity",
                 coefficients={"slope": 0.1, "offset": -0.1}, valid_from=1.0, valid_to=8.0,
                 effective=START + timedelta(hours=1)),
    )  # fmt: skip
    root = {"quantity": "root_permittivity", "value": 3.0}
    rows = table({"minute": 60, **root}, {"minute": 59, **root})
    found = calibrate_rounds(rows, hand_site(laws=laws))
    expected = [0.2, 0.3]  # 0.3 - 0.1 from the hour on, 0.3 before
    assert found["calibrated_water_content"].tolist() == pytest.approx(expected, abs=1e-7)


def test_both_errors_as_the_laws_and_the_noise_state():
    site = hand_site(sensor_noise={"root_permittivity": 0.02})
    found = one(site, quantity="root_permittivity", value=4.0, depth_m=0.3)
    # slope 0.1 times the noise; the law's own standard error
    assert found["random_error"] == pytest.approx(0.002, abs=1e-9)
    assert found["systematic_error"] == pytest.approx(0.01, abs=1e-9)


def test_a_hand_probe_and_a_logged_one_give_the_same_bits():
    site = hand_site(
        uncertainty=Uncertainty(depth_m=0.0),  # a hand reading is not part of a profile
        sensor_noise={"voltage": 0.001},
        wiring=(make_wire("T1", 0.1), make_wire("T1", 0.3), make_wire("T2", 0.1),
                make_wire("T2", 0.3)),
    )  # fmt: skip
    volts = np.random.default_rng(4).uniform(-0.1, 1.1, (50, 2, 2)).astype(np.float32)
    block = water_content_step(make_block(site, voltage=volts), site)
    cells = [(i, t, d) for i in range(50) for t in range(2) for d in range(2)]
    rows = table(
        *(
            {"minute": 15 * i, "tube": ("T1", "T2")[t], "depth_m": (0.1, 0.3)[d],
             "quantity": "voltage", "reader": "P1", "value": float(volts[i, t, d])}
            for i, t, d in cells
        )
    )  # fmt: skip
    found = calibrate_rounds(rows, site)
    for name in found.columns.intersection(list(block)):
        expected = block[name].values[tuple(np.array(cells).T)]
        np.testing.assert_array_equal(found[name].to_numpy(), expected, err_msg=str(name))
    assert np.isfinite(found["calibrated_water_content"]).sum() > 50


def test_each_row_stands_for_itself_in_whatever_order():
    random = np.random.default_rng(1)
    rows = table(
        *(
            {"tube": random.choice(["T1", "T2"]), "depth_m": random.choice([0.1, 0.3]),
             "quantity": "permittivity", "value": random.uniform(3, 30)}
            for _ in range(40)
        )
    )  # fmt: skip
    expected = calibrate_rounds(rows, hand_site())
    mixed = rows.sample(frac=1, random_state=2)
    assert calibrate_rounds(mixed, hand_site()).loc[rows.index].equals(expected)
