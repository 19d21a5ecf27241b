"""Who shares a calibration: laws, versions and dates; what that does to a layer's error."""

from datetime import UTC, datetime

import numpy as np
import pytest

from pipeline.derive import storage
from pipeline.derive.calibrations import UNKNOWN, sharing, site_calibrations
from pipeline.derive.spacing import Slopes
from pipeline.derive.storage import storage_step
from pipeline.site.models import Horizon, Law, Soil

DEPTHS = (0.1, 0.3, 0.5, 0.7)
LAYERS = (("four", 0.0, 0.8),)
JUNE = datetime(2024, 6, 1, tzinfo=UTC)
COVARIANCE = ((1e-6, 0.0), (0.0, 1e-6))


def law(name, version=1, kind="soil", **changes):
    return Law(
        id=name, version=version, kind=kind, form="linear", origin="invented", **changes
    )


@pytest.fixture
def two_horizons(make_site, monkeypatch):
    """Return a maker of a site with a law in the upper and another in the lower half."""
    monkeypatch.setattr(storage, "VARIOGRAM", Slopes(0.0, 0.0, 0.0, 0.0))
    site = make_site(depths_m=DEPTHS, layers=LAYERS, below_last_sensor="constant")

    def make(*laws, lower="B", signal="permittivity"):
        soil = Soil(
            id=site.tubes[0].soil,
            horizons=(
                Horizon(name="H1", top_m=0.0, bottom_m=0.4, calibration="A"),
                Horizon(name="H2", top_m=0.4, bottom_m=1.0, calibration=lower),
            ),
        )
        wiring = tuple(
            w.model_copy(update={"quantity": signal, "probe": "P1"}) if w.tube else w
            for w in site.wiring
        )
        changes = {"soils": {soil.id: soil}, "laws": laws, "wiring": wiring}
        return site.model_copy(update=changes)

    return make


def systematic(site, make_block, step=0):
    block = make_block(site, np.full((8, 1, 4), 0.25), systematic=0.02)
    block = block.assign_coords(time=block["time"] + np.timedelta64(92, "D") * (step > 0))
    return storage_step(block, site)["storage_systematic_error"].values[0, 0, 0]


def test_one_law_for_all_adds_fully(two_horizons, make_block):
    # by hand (GUM equation 16): 4 * 200 mm * 0.02
    site = two_horizons(law("A", covariance=COVARIANCE), lower="A")
    assert systematic(site, make_block) == pytest.approx(16.0, rel=1e-6)


def test_two_laws_are_wrong_independently(two_horizons, make_block):
    # by hand: 400 mm * 0.02 = 8 mm from each law, 8 * sqrt(2) from both
    site = two_horizons(law("A", standard_error=0.02), law("B", standard_error=0.02))
    assert systematic(site, make_block) == pytest.approx(8 * np.sqrt(2), rel=1e-6)


def test_scatter_about_a_fitted_law_is_each_sensors_own(two_horizons, make_block):
    # by hand: of 0.02 the scatter takes 0.012 and the coefficients 0.016: the first gives
    # 200 * 0.012 * 2 = 4.8 mm over four sensors, the second 4 * 200 * 0.016 = 12.8 mm
    fitted = law("A", covariance=COVARIANCE, standard_error=0.012)
    site = two_horizons(fitted, lower="A")
    assert systematic(site, make_block) == pytest.approx(np.hypot(4.8, 12.8), rel=1e-6)


def test_a_law_without_covariance_keeps_all_its_error_shared(two_horizons, make_block):
    site = two_horizons(law("A", standard_error=0.02), lower="A")
    assert systematic(site, make_block) == pytest.approx(16.0, rel=1e-6)


def test_a_fitted_probe_law_ties_all_its_sensors_together(two_horizons, make_block):
    laws = law("A", standard_error=0.02), law("B", standard_error=0.02)
    fitted = law("probe", kind="probe", probes=("P1",), covariance=COVARIANCE)
    site = two_horizons(*laws, fitted, signal="voltage")
    assert systematic(site, make_block) == pytest.approx(16.0, rel=1e-6)
    loose = law("probe", kind="probe", probes=("P1",), standard_error=0.1)
    site = two_horizons(*laws, loose, signal="voltage")
    assert systematic(site, make_block) == pytest.approx(8 * np.sqrt(2), rel=1e-6)


def test_a_new_version_is_another_calibration_from_its_date_on(two_horizons, make_block):
    first = law("A", covariance=COVARIANCE)
    second = law("A", 2, covariance=COVARIANCE, standard_error=0.012, effective=JUNE)
    site = two_horizons(first, second, lower="A")
    found = site_calibrations(site, ["A1"], DEPTHS)
    assert found.start_s.tolist()[1:] == [int(JUNE.timestamp())]
    assert found.own_error[:, 0].tolist() == [[0.0] * 4, [0.012] * 4]
    assert systematic(site, make_block) == pytest.approx(16.0, rel=1e-6)
    later = systematic(site, make_block, step=1)
    assert later == pytest.approx(np.hypot(4.8, 12.8), rel=1e-6)


def test_own_error_never_exceeds_what_is_stated_in_all(two_horizons, make_block):
    # by hand: all of 0.02 is each sensor's own: 200 * 0.02 * sqrt(4)
    site = two_horizons(law("A", covariance=COVARIANCE, standard_error=0.5), lower="A")
    assert systematic(site, make_block) == pytest.approx(8.0, rel=1e-6)


def test_sensors_with_a_law_in_common_share_one_group():
    a, b, p = ("A", 1), ("B", 1), ("P", 1)
    first, second, third = sharing([frozenset({a}), frozenset({b}), frozenset({a})])
    assert first == third != second
    assert len(set(sharing([frozenset({a}), frozenset({b}), frozenset({a, b})]))) == 1
    assert len(set(sharing([frozenset({a, p}), frozenset({b, p}), frozenset()]))) == 2
    assert sharing([frozenset()]) == [UNKNOWN]
