"""A soil law that begins while a sensor has drifted: the drift is the sensor's, not the law's.

By hand throughout: the soil holds 0.15 m3 m-3, by the old law and the new a root of 2.5; a
sensor clean until noon of 4 January loses a root of 0.28 (0.028 m3 m-3) in a week, to keep it.
"""

from __future__ import annotations

import numpy as np
import pytest
from bare_site import at, make_law, make_probe_law, make_site, make_wire

from pipeline.calibrate.compare import Seen
from pipeline.calibrate.references import Reference
from pipeline.engine.correcting import find_corrections
from pipeline.site.instruments import Uncertainty
from pipeline.site.models import Visit

DAY_S = 86_400
DRIFT = 0.28
NEW = at(12)
OLD_LAW = make_law(
    form="linear_root_permittivity",
    coefficients={"slope": 0.1, "offset": -0.1},
    valid_from=1.0,
    valid_to=5.0,
    standard_error=0.012,
)


def new_law(slope=0.12, water=0.15, at_root=2.5, **changes):
    """Return the next version of the law, a line through a water content at a root."""
    fields = {"version": 2, "effective": NEW, **changes}
    line = {"slope": slope, "offset": water - slope * at_root}
    return OLD_LAW.model_copy(update={"coefficients": line, **fields})


def drifted(day):
    return 2.5 - float(np.interp(day, [4.5, 11.5], [0.0, DRIFT]))


def reference(day, error=0.002):
    at_s = int(at(day, 12).timestamp())
    return Reference("T1", 0.1, at_s, "reference", 0.15, error, at_s - 3600, at_s + 3601)


def visit(moment, action="cleaning", **changes):
    return Visit(row=2, time=moment, tube="T1", action=action, depth_m=0.1, **changes)


def found_of(laws, references, root_on, *visits, **wiring):
    """Return a function of days that tells the correction, and verdicts by kind and day."""
    site = make_site(
        laws=laws,
        wiring=(make_wire(**{"quantity": "permittivity", "unit": "1", **wiring}),),
        uncertainty=Uncertainty(depth_m=0.0),
        visits=visits,
    )

    def show(windows):
        told = {}
        for window in windows:
            root = root_on((window.first_s - int(at(1).timestamp())) / DAY_S + 1)
            told[window] = Seen("root_permittivity", root, 0.001, 5)
            if not window.tube:
                told[window] = Seen("rain", np.nan, np.nan, 0)
        return told

    corrections, rows = find_corrections(references, show, site)

    def corrected(day):
        at_s = int(at(1).timestamp()) + (day - 1) * DAY_S
        for one in corrections:
            if one.start_s <= at_s and (one.until_s is None or at_s < one.until_s):
                end_s = one.until_s or one.start_s + 1
                part = (at_s - one.start_s) / (end_s - one.start_s) if one.until_s else 0.0
                return one.first + (one.last - one.first) * part
        return 0.0

    day_of = {(r[3], (r[2] - int(at(1).timestamp())) // DAY_S + 1): r for r in rows}
    return corrected, day_of


EARLY = [reference(day) for day in (2, 4, 6, 9, 11)]


@pytest.mark.parametrize("slope", [0.1, 0.12, 0.09])
def test_a_known_drift_goes_on_under_a_new_law_of_the_soil(slope):
    corrected, _ = found_of((OLD_LAW, new_law(slope)), EARLY, drifted)
    for day in (11.6, 12.1, 25):
        assert corrected(day) == pytest.approx(DRIFT, abs=0.02)


def test_checks_by_the_new_law_are_held_to_the_drift_known_before():
    """It stays: a check finds nothing more. It goes on to 0.88: checks find the rest."""
    later = [*EARLY, reference(15), reference(18)]
    corrected, rows = found_of((OLD_LAW, new_law()), later, drifted)
    assert corrected(16) == corrected(20) == pytest.approx(DRIFT, abs=0.02)
    assert rows["reference", 15][10] == "within"
    assert rows["reference", 15][9] == pytest.approx(DRIFT, abs=0.02)

    def further(day):
        return drifted(day) - float(np.interp(day, [12, 18.5], [0.0, 0.6]))

    laws = OLD_LAW, new_law(standard_error=0.004)
    corrected, rows = found_of(laws, later, further)
    assert rows["reference", 15][10] == rows["reference", 18][10] == "corrected"
    assert corrected(20) == pytest.approx(DRIFT + 0.6, abs=0.05)


def test_a_drift_that_has_gone_is_taken_back_under_a_new_law():
    laws = OLD_LAW, new_law(standard_error=0.004)
    root_on = {True: drifted, False: lambda day: 2.5}
    later = [*EARLY, reference(15), reference(18)]
    corrected, _ = found_of(laws, later, lambda day: root_on[day < 13](day))
    assert corrected(12.5) > 0.2
    assert abs(corrected(20)) < 0.1  # of which the new law's difference may be a part


def test_a_law_made_for_readings_as_they_had_drifted_is_not_corrected_twice():
    """It makes 0.15 of the root of 2.22 that the sensor shows."""
    corrected, _ = found_of((OLD_LAW, new_law(at_root=2.5 - DRIFT)), EARLY, drifted)
    assert corrected(11.6) == pytest.approx(DRIFT, abs=0.02)
    assert corrected(12.5) == corrected(25) == 0.0


def soiled(day):
    """Lose a root of 0.6 from 2 to 20 January, 0.06 m3 m-3 of water; then it is wiped."""
    return 2.5 - 0.6 * float(np.interp(day, [2, 20.5], [0.0, 1.0])) * (day < 20.49)


@pytest.mark.parametrize("references", [[], [reference(day, 0.01) for day in (5, 10, 15)]])
def test_what_a_cleaning_finds_grew_since_the_sensor_was_clean_whatever_law_began(references):
    """The law begins nine hours before the cleaning at noon of 20 January."""
    law = new_law(effective=at(20, 3))
    corrected, rows = found_of((OLD_LAW, law), references, soiled, visit(at(20, 12)))
    assert rows["cleaning", 20][10] == "corrected"
    assert corrected(20.2) == pytest.approx(0.59, abs=0.02)
    assert corrected(12) == pytest.approx(0.6 * 10 / 18.5, abs=0.12)
    assert corrected(20.6) == 0.0


def test_what_a_bench_check_found_goes_on_under_a_new_law_of_the_soil():
    """Volts in a standard of 0.5 V read 0.47; the probe's law stays."""
    bench = visit(at(9, 12), "bench", value=0.5, reading=0.47, unit="V", uncertainty=0.001)
    laws = OLD_LAW, new_law(), make_probe_law()
    volts = {"quantity": "voltage", "unit": "V"}
    corrected, _ = found_of(laws, [], lambda day: 0.2, bench, **volts)
    assert corrected(11.6) == corrected(12.5) == corrected(25) == pytest.approx(0.03)


def test_a_new_law_of_the_probe_begins_anew():
    """The probe was calibrated again, drifted as it is."""
    bench = visit(at(9, 12), "bench", value=0.5, reading=0.47, unit="V", uncertainty=0.001)
    probe = make_probe_law(version=2, effective=NEW, coefficients={"c0": 1.24, "c1": 8.0})
    laws = OLD_LAW, make_probe_law(), probe
    volts = {"quantity": "voltage", "unit": "V"}
    corrected, _ = found_of(laws, [], lambda day: 0.2, bench, **volts)
    assert (corrected(11.6), corrected(12.5)) == (pytest.approx(0.03), 0.0)
