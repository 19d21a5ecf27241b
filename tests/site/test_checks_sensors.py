"""Sensors wired for part of their tube's time, on which stored water rests all the same."""

import numpy as np
import pytest
from bare_site import at, make_block, make_site, make_wire

from pipeline.derive.storage import storage_step
from pipeline.site.checks_sensors import sensors_for_a_while
from pipeline.site.models import Derive, Layer

DEPTHS = (0.1, 0.3, 0.5)


def site_of(spans, layer=(0.0, 0.4), missing="none"):
    """Return a site whose sensors are wired from a day until a day of January."""
    wires = [
        make_wire(
            depth_m=depth,
            start=None if begin is None else at(begin),
            until=None if end is None else at(end),
        )
        for depth, (begin, end) in zip(DEPTHS, spans, strict=False)
    ]
    derive = Derive(layers=(Layer(name="L", top_m=layer[0], bottom_m=layer[1]),))
    derive = derive.model_copy(update={"missing_sensor": missing})
    return make_site(wiring=tuple(wires), derive=derive)


ALWAYS = (None, None)


@pytest.mark.parametrize(
    ("spans", "told"),
    [
        ((ALWAYS, ALWAYS, ALWAYS), None),
        (((None, 9), (None, 9), (None, 9)), None),  # all at once
        (((3, 9), (3, 9), (4, 9)), None),  # a day is let be
        ((ALWAYS, (5, None), ALWAYS), "30 cm (from 2024-01-05)"),
        (
            (ALWAYS, (None, 9), (5, 9)),
            "30 cm (until 2024-01-09), 50 cm (from 2024-01-05 until",
        ),
    ],
)
def test_a_sensor_that_came_later_or_went_earlier_is_named(spans, told):
    found = list(sensors_for_a_while(site_of(spans)))
    assert [problem.place for problem in found] == (["tube 'T1'"] if told else [])
    assert all(told in problem.found for problem in found)


@pytest.mark.parametrize(
    ("layer", "missing", "named"),
    [
        ((0.0, 0.1), "none", False),  # the first sensor alone
        ((0.0, 0.11), "none", True),
        ((0.5, 0.9), "none", False),
        ((0.0, 0.4), "bridge", False),
    ],
)
def test_only_where_a_layer_has_no_water_without_it(layer, missing, named):
    """As the storage of a day before it came tells, too."""
    site = site_of((ALWAYS, (5, None), ALWAYS), layer, missing)
    assert bool(list(sensors_for_a_while(site))) == named
    theta = np.array([0.2, np.nan, 0.3])
    known = np.isfinite(theta)
    errors = np.where(known, 0.01, np.nan)
    cells = {
        "cleaned_water_content": theta,
        "random_error": errors,
        "systematic_error": errors,
    }
    block = make_block(site, **cells)
    block["quality"] = block["random_error"].copy(
        data=np.where(known, 1, 9).astype(np.uint8).reshape(1, 1, 3)
    )
    below = layer[1] > DEPTHS[-1]  # unknown for another reason
    stored = storage_step(block, site)["storage"].item()
    assert np.isnan(stored) == (named or below)
