"""References beside readings that the night frees of soil temperature.

A soil of porosity 0.45 with 0.30 m3 m-3 of water shows a root permittivity of 4.01441 at 5 and
of 3.92117 at 20 degC (by hand, tests/calibrate/test_temperature.py), of which the law of
20 degC makes 0.1 root - 0.1 = 0.292117.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from bare_site import HOUR_S, at, make_block, make_law, make_probe_law, make_site, make_wire

from pipeline.calibrate.compare import Seen, make_checks
from pipeline.calibrate.references import Reference, hand_references
from pipeline.calibrate.steps import water_content_step
from pipeline.engine.windows import Window, read_windows
from pipeline.site.instruments import Correction, Drift, Uncertainty, Warmth

COLD, WARM, WATER = 4.01441, 3.92117, 0.292117
NOON = int(at(1, 12).timestamp())
VOLTS = {"voltage": lambda root: (root - 1.0) / 8.0}  # of the probe of `bare_site`
ROOTS = {"root_permittivity": lambda root: root}


def site_of(quantity="root_permittivity", **changes):
    law = make_law(
        form="linear_root_permittivity",
        coefficients={"slope": 0.1, "offset": -0.1},
        valid_from=1.0,
        valid_to=9.0,
        temperature=Warmth(reference_degc=20.0, porosity=0.45),
    )
    wires = (
        make_wire(quantity=quantity, unit="1", channel="a"),
        make_wire(quantity="soil_temperature", channel="t"),
        make_wire(quantity="soil_temperature", channel="u", depth_m=0.2),
    )
    fields = {"uncertainty": Uncertainty(depth_m=0.0), **changes}
    return make_site(laws=(law, make_probe_law()), wiring=wires, **fields)


def reference(**changes):
    span = NOON - HOUR_S, NOON + HOUR_S + 1
    fields = ("T1", 0.1, NOON, "reference", WATER, 0.002, *span)
    return Reference(*fields, **changes)


def error_of(site, quantity, shown, celsius, **changes):
    seen = Seen(quantity, shown, 0.001, 5, celsius=celsius)
    ((_, (_, check)),) = make_checks([(reference(**changes), seen)], site)
    return check.error


@pytest.mark.parametrize(("quantity", "signal"), [*ROOTS.items(), *VOLTS.items()])
def test_a_sound_sensor_in_cold_soil_has_no_error(quantity, signal):
    """Held to the law as it is, it would be off by 0.093, the warmth of 15 degrees."""
    site = site_of(quantity)
    assert error_of(site, quantity, signal(COLD), 5.0) == pytest.approx(0.0, abs=5e-6)
    assert error_of(site, quantity, signal(WARM), 20.0) == pytest.approx(0.0, abs=5e-6)
    # What cannot be freed of temperature stays as read, and is held to the reference so.
    expected = signal(WARM) - signal(COLD)
    for celsius in (None, -1.0):
        found = error_of(site, quantity, signal(COLD), celsius)
        assert found == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize("form", ["offset", "proportional"])
def test_what_a_check_finds_in_cold_soil_gives_the_reference_again(form):
    site = site_of(drift=Drift(form=form))
    error = error_of(site, "root_permittivity", COLD - 0.3, 5.0)
    held = Correction(
        tube="T1",
        depth_m=0.1,
        domain="root_permittivity",
        form=form,
        start_s=NOON - HOUR_S,
        until_s=None,
        first=error,
        last=error,
        first_error=0.0,
        last_error=0.0,
    )
    block = make_block(
        site,
        12,
        root_permittivity=[COLD - 0.3, np.nan],
        soil_temperature=[5.0, np.nan],
    )
    step = water_content_step(block, site.model_copy(update={"corrections": (held,)}))
    assert step["calibrated_water_content"].values[0, 0, 0] == pytest.approx(WATER, abs=2e-6)


def test_a_hand_reading_that_felt_the_same_cold_is_held_to_readings_as_they_are():
    """Both go through one law; that of the book's reading is not freed of anything."""
    hand = pd.DataFrame(
        {
            "time_s": [NOON],
            "tube": ["T1"],
            "depth_m": [0.1],
            "reader": ["check"],
            "quantity": ["root_permittivity"],
            "value": [COLD],
        }
    )
    site = site_of(drift=Drift(readers=("check",)))
    (found,) = hand_references(hand, site)
    reading = Seen("root_permittivity", COLD, 0.001, 5, celsius=5.0)
    ((_, (_, check)),) = make_checks([(found, reading)], site)
    assert check.error == pytest.approx(0.0, abs=5e-6)
    told = hand.assign(quantity="water_content", value=WATER)
    (found,) = hand_references(told, site)
    ((_, (_, check)),) = make_checks([(found, reading)], site)
    assert check.error == pytest.approx(0.0, abs=5e-6)


def test_a_window_tells_the_temperature_that_frees_its_readings():
    """Logged every four hours at the sensor until 13:00, and 10 cm deeper from then on."""
    hours = np.arange(48)
    own = np.where((hours % 4 == 1) & (hours <= 13), hours.astype(float), np.nan)
    deeper = np.where(hours < 20, 3.0, np.nan)
    arrays = {
        "readings/root_permittivity": np.full((48, 1, 2), np.nan, np.float32),
        "readings/root_permittivity_offset_s": np.zeros((48, 1, 2), np.int32),
        "readings/soil_temperature": np.full((48, 1, 2), np.nan, np.float32),
    }
    arrays["readings/root_permittivity"][:, 0, 0] = COLD
    arrays["readings/soil_temperature"][:, 0] = np.column_stack([own, deeper])
    tables = {}
    site = site_of()
    writer = SimpleNamespace(
        axis=site.axis,
        steps=48,
        labels={"tube": ["T1"], "depth": [0.1, 0.2]},
        holds=arrays.__contains__,
        read=lambda key, start, stop, tubes: arrays[key][start:stop, tubes],
        table=tables.get,
        put_table=tables.__setitem__,
    )

    def celsius(first, stop, changed=(True, True)):
        window = Window("T1", 0.1, int(at(1, first).timestamp()), int(at(1, stop).timestamp()))
        days = np.array([changed])
        return read_windows(writer, [window], days, days[0], site)[window].celsius

    assert celsius(10, 13) == pytest.approx(11.0)
    assert celsius(17, 19) == 3.0
    assert celsius(20, 23) is None
    # Its readings are as they were, but a temperature has come that lies within six hours.
    arrays["readings/soil_temperature"][24, 0, 1] = 5.0
    assert celsius(20, 23, changed=(False, True)) == pytest.approx(3.0 + 2.0 * 2 / 5)
