"""A site's own rules for layers: how often its sensors logged when."""

import numpy as np
from bare_site import HOUR_S, at, make_site, make_wire

from pipeline.notebook import site_layer_rules


def test_each_stretch_has_the_interval_of_its_time():
    """Hourly on the 1st, unwired on the 2nd, every three hours from the 3rd on."""
    hourly = make_site().sources[0]
    slow = hourly.model_copy(update={"id": "slow", "interval_s": 3 * HOUR_S})
    wires = (make_wire(until=at(2)), make_wire(source="slow", start=at(3)))
    site = make_site(sources=(hourly, slow), wiring=wires)
    rules = site_layer_rules(site, ["T1"], [0.1, 0.3])
    days = np.array([int(at(day).timestamp()) for day in (2, 3)])
    assert rules.interval_from_s[-2:].tolist() == days.tolist()
    np.testing.assert_array_equal(rules.interval_s[-3:, 0, 0] / HOUR_S, [1.0, np.nan, 3.0])
    assert np.isnan(rules.interval_s[:, 0, 1]).all()  # never wired
