"""What references and cleanings say of a sensor, also where its own law does not reach."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from bare_site import at, make_law, make_probe_law, make_site, make_wire

from pipeline.calibrate.compare import Seen, make_checks
from pipeline.calibrate.references import Reference
from pipeline.engine.correcting import find_corrections
from pipeline.site.instruments import Drift, Uncertainty
from pipeline.site.models import Visit

DAY_S = 86_400
# By hand: water content 0.1 root - 0.1, of roots from 2 to 5 alone: from 0.1 to 0.4.
LAW = make_law(
    form="linear_root_permittivity",
    coefficients={"slope": 0.1, "offset": -0.1},
    valid_from=2.0,
    valid_to=5.0,
    standard_error=0.012,
)


def site_of(*visits, quantity="permittivity"):
    return make_site(
        laws=(LAW,),
        wiring=(make_wire(quantity=quantity, unit="1"),),
        uncertainty=Uncertainty(depth_m=0.0),
        visits=visits,
    )


def reference(day, water, error=0.004):
    at_s = int(at(day, 12).timestamp())
    return Reference("T1", 0.1, at_s, "reference", water, error, at_s - 3600, at_s + 3601)


def cleaning(day):
    return Visit(row=2, time=at(day, 12), tube="T1", action="cleaning", depth_m=0.1)


@pytest.mark.parametrize("root", [1.3, 1.9, 2.4, 5.5])
def test_a_reading_that_drifted_out_of_its_law_is_held_to_its_reference(root):
    reading = Seen("root_permittivity", root, 0.01, 5)
    ((_, (domain, check)),) = make_checks([(reference(3, 0.15), reading)], site_of())
    assert domain == "root_permittivity"
    assert check.error == pytest.approx(2.5 - root, abs=1e-5)
    assert check.slope == pytest.approx(0.1, rel=1e-5)
    assert check.error_u == pytest.approx(math.hypot(0.04, 0.01), rel=1e-5)
    assert check.standing_u == pytest.approx(0.12, rel=1e-4)  # 0.012 over the slope


def test_water_content_that_no_soil_can_hold_is_held_to_its_reference():
    reading = Seen("water_content", -0.02, 0.001, 5)
    law = make_law(form="as_logged", coefficients={}, standard_error=0.012)
    site = site_of(quantity="water_content").model_copy(update={"laws": (law,)})
    ((_, (_, check)),) = make_checks([(reference(3, 0.06), reading)], site)
    assert check.error == pytest.approx(0.08, abs=1e-5)


@pytest.mark.parametrize(
    ("root", "error"),
    [(1.0, 0.01), (0.3, 0.01), (1.9, 0.0)],  # of air, of nothing, and one and the same
)
def test_a_dead_sensor_is_not_held_to_its_reference(root, error):
    reading = Seen("root_permittivity", root, error, 5)
    assert make_checks([(reference(3, 0.15), reading)], site_of()) == []


@pytest.mark.parametrize(("volts", "count"), [(0.0, 0), (0.01, 0), (0.06, 1), (1.2, 0)])
def test_volts_of_no_soil_are_of_a_dead_sensor(volts, count):
    # By hand: root 1 + 8 V of volts from 0 to 1, so that 0.06 V is a root of 1.48.
    site = site_of(quantity="voltage").model_copy(update={"laws": (LAW, make_probe_law())})
    reading = Seen("voltage", volts, 0.001, 5)
    checks = make_checks([(reference(3, 0.15), reading)], site)
    assert len(checks) == count
    for _, (_, check) in checks:
        assert check.error == pytest.approx((2.5 - 1.48) / 8, abs=1e-5)


@pytest.mark.parametrize("form", ["offset", "proportional"])
def test_a_sensor_that_came_to_life_as_it_was_cleaned_had_not_drifted(form):
    site = site_of(cleaning(11)).model_copy(update={"drift": Drift(form=form)})
    references = [reference(day, 0.15) for day in (2, 5, 8)]
    for dead in (0.0, 1.0):
        corrections, rows = found_of(
            site, references, lambda day, dead=dead: dead if 6 < day < 10.5 else 2.5
        )
        assert corrections == []
        assert rows["cleaning", 10][10] == rows["reference", 7][10] == "outside the law"


def found_of(site, references, root_on):
    """Return corrections and verdicts where a sensor shows a root that a function tells."""

    def show(windows):
        seen = {}
        for window in windows:
            if not window.tube:
                seen[window] = Seen("rain", np.nan, np.nan, 0)
                continue
            root = root_on((window.first_s - int(at(1).timestamp())) / DAY_S)
            told = Seen("root_permittivity", root, 0.001, 5)
            seen[window] = told if np.isfinite(root) else Seen("", np.nan, np.nan, 0)
        return seen

    corrections, rows = find_corrections(references, show, site)
    return corrections, {
        (row[3], (row[2] - int(at(1).timestamp())) // DAY_S): row for row in rows
    }


def test_a_cleaning_brings_a_sensor_back_that_had_left_its_law():
    # The soil holds 0.15; from 1 January on the sensor loses a root of 0.1 a day.
    site = site_of(cleaning(11))
    references = [reference(day, 0.15, 0.001) for day in (2, 5, 8)]
    corrections, rows = found_of(
        site, references, lambda day: 2.5 - 0.1 * day if day < 10.5 else 2.5
    )
    assert rows["cleaning", 10][10] == "corrected"
    assert rows["cleaning", 10][9] == pytest.approx(1.04, abs=0.02)
    assert corrections[-1].until_s == int(at(11, 12).timestamp())
    (middle,) = (c for c in corrections if c.start_s <= int(at(6).timestamp()) < c.until_s)
    part = (int(at(6).timestamp()) - middle.start_s) / (middle.until_s - middle.start_s)
    assert middle.first + part * (middle.last - middle.first) == pytest.approx(0.5, abs=0.04)


def test_what_tells_nothing_is_listed_with_the_reason():
    site = site_of(cleaning(11))
    references = [reference(day, water) for day, water in ((2, 0.15), (5, 0.6), (8, 0.15))]
    _, rows = found_of(site, references, lambda day: 2.5 if day < 6 else np.nan)
    assert {key: row[10] for key, row in rows.items()} == {
        ("reference", 1): "within",
        ("reference", 4): "outside the law",
        ("reference", 7): "no reading",
        ("cleaning", 10): "no reading",
    }
    assert rows["reference", 4][5:10] == (None,) * 5


def test_what_only_another_source_has_readings_beside_is_listed_so():
    """Water content of a log is preferred all the time; only permittivities were there."""
    log = make_wire(quantity="water_content", unit="1", source="log")
    site = site_of(cleaning(11))
    sources = (*site.sources, site.sources[0].model_copy(update={"id": "log"}))
    changes = {"wiring": (*site.wiring, log), "sources": sources}
    site = site.model_copy(update=changes)
    references = [reference(day, 0.15) for day in (2, 5, 8)]
    corrections, rows = found_of(site, references, lambda day: 2.5 + 0.01 * day)
    assert corrections == []
    assert {row[10] for row in rows.values()} == {"another signal"}
    assert sorted(rows) == [("cleaning", 10), *(("reference", day) for day in (1, 4, 7))]


def test_no_reference_or_cleaning_is_held_against_the_probe_before_or_after():
    """Swapped at noon; checked ten minutes before and after, cleaned at the swap."""
    noon = at(11, 12)
    swap = Visit(row=3, time=noon, tube="T1", action="swap")
    minutes = [noon + timedelta(minutes=m) for m in (-10, 10)]
    references = [
        Reference("T1", 0.1, s, "reference", 0.15, 0.004, s - 3600, s + 3601)
        for s in (int(moment.timestamp()) for moment in minutes)
    ]
    wires = tuple(
        make_wire(quantity="permittivity", unit="1", **ends)
        for ends in ({"until": at(11, 15)}, {"start": at(11, 15)})
    )
    site = site_of(cleaning(11), swap).model_copy(update={"wiring": wires})
    asked = {}

    def show(windows):
        asked.update({(w.first_s, w.stop_s): w for w in windows if w.tube})
        return dict.fromkeys(windows, Seen("root_permittivity", 2.5, 0.001, 5))

    find_corrections(references, show, site)
    zero = int(noon.timestamp())
    assert sorted((first - zero, stop - zero) for first, stop in asked) == [
        (-4200, 0),
        (0, 0),
        (0, 4201),
        (0, 3 * 3600),
    ]
