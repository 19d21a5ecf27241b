"""Checks and cleanings close in time: what is told of soiled readings, what of clean ones.

By hand throughout: the soil holds 0.15, a root of 2.5, logged every ten minutes; a film takes
0.3 of it until it is wiped off at noon of 11 January.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from bare_site import at, make_law, make_site, make_wire

from pipeline.calibrate.compare import Seen, seen
from pipeline.calibrate.references import Reference
from pipeline.engine.correcting import find_corrections
from pipeline.site.instruments import Uncertainty
from pipeline.site.models import Visit

NOON = at(11, 12)
FILM = 0.3
LAW = make_law(
    form="linear_root_permittivity",
    coefficients={"slope": 0.1, "offset": -0.1},
    valid_from=1.0,
    valid_to=5.0,
    standard_error=0.012,
)


def minutes_from_noon(minutes):
    return int((NOON + timedelta(minutes=minutes)).timestamp())


def reference(minutes):
    at_s = minutes_from_noon(minutes)
    return Reference("T1", 0.1, at_s, "reference", 0.15, 0.002, at_s - 3600, at_s + 3601)


def found_of(references, cleaned, clean_from=0, film=FILM, front=None):
    """Return corrections, and errors by kind and minute from noon; ``cleaned`` in minutes.

    ``front`` is the minute at which water of 0.06 m3 m-3 begins to arrive, for half an hour.
    """
    visits = tuple(
        Visit(row=2, time=NOON + timedelta(minutes=m), tube="T1", action="cleaning")
        for m in cleaned
    )
    site = make_site(
        laws=(LAW,),
        wiring=(make_wire(quantity="root_permittivity", unit="1"),),
        uncertainty=Uncertainty(depth_m=0.0),
        visits=visits,
    )

    def show(windows):
        return {w: shown(w) for w in windows}

    def shown(window):
        taken_s = np.arange(-(-window.first_s // 600) * 600, window.stop_s, 600)
        none = Seen("", np.nan, np.nan, 0)
        if not window.tube or not taken_s.size:
            return none
        soiled = taken_s < minutes_from_noon(clean_from)
        roots = 2.5 - film * soiled + 0.002 * np.cos(taken_s)  # a little noise
        if front is not None:
            roots += 0.6 * np.clip((taken_s - minutes_from_noon(front)) / 1800, 0.0, 1.0)
        return seen("root_permittivity", roots, taken_s=taken_s)

    corrections, rows = find_corrections(references, show, site)
    return corrections, {(row[3], (row[2] - int(NOON.timestamp())) // 60): row for row in rows}


@pytest.mark.parametrize(("minutes", "error"), [(-5, FILM), (5, 0.0), (-45, FILM), (45, 0.0)])
def test_a_check_beside_a_cleaning_is_held_to_readings_of_its_own_side(minutes, error):
    _, rows = found_of([reference(minutes)], [0])
    assert rows["reference", minutes][5] == pytest.approx(error, abs=0.002 + 0.05 * error)


def test_of_two_cleanings_within_an_hour_clean_readings_are_not_corrected():
    """The first wiped all of it off; six clean readings lie between the two."""
    corrections, rows = found_of([], [0, 60])
    assert [key for key in rows if key[0] == "cleaning"] == [("cleaning", 0)]
    assert rows["cleaning", 0][5] == pytest.approx(FILM, abs=0.005)
    assert max(c.until_s for c in corrections) == minutes_from_noon(0)


def test_two_cleanings_between_two_readings_are_one():
    _, rows = found_of([], [1, 6], clean_from=3)
    assert rows["cleaning", 1][5] == pytest.approx(FILM, abs=0.005)
    assert rows["cleaning", 1][10] == "corrected"


@pytest.mark.parametrize(("first", "then"), [(-150, 0), (0, 150)])
def test_cleanings_hours_apart_are_each_told_by_readings_of_their_own_time(first, then):
    _, rows = found_of([], [first, then])
    told = {minutes: rows["cleaning", minutes][10] for minutes in (first, then)}
    assert told == {0: "corrected", (first or then): "no step"}


@pytest.mark.parametrize("front", [-45, -30, -15, 0, 15])
def test_a_wetting_front_beside_a_cleaning_corrects_nothing(front):
    corrections, rows = found_of([], [0], film=0.0, front=front)
    assert corrections == []
    assert rows["cleaning", 0][10] == "soil moved"


def test_what_hands_do_between_two_cleanings_is_no_movement_of_the_soil():
    """Half of the film is wiped off at the first, the rest at the second, an hour later."""
    found = found_of([], [0, 60], film=FILM / 2, clean_from=60)[1]["cleaning", 0]
    assert (found[5], found[10]) == (pytest.approx(FILM / 2, abs=0.005), "corrected")
