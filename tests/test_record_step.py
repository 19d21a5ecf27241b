"""Steps over whole records run anew for what they depend on, and for nothing else."""

import numpy as np
import pyarrow as pa
import pytest

from pipeline.record_step import RecordStep, run_record_steps

TUBES = ["T1", "T2", "T3"]


class Notes:
    """A state that keeps attributes and tables."""

    def __init__(self):
        self.attributes, self.kept = {}, {}
        self.labels = {"tube": TUBES}

    def table(self, name):
        return self.kept.get(name)

    def put_table(self, name, table):
        self.kept[name] = table

    def set_attributes(self, values):
        self.attributes |= values


def night(state, inputs, computed=(), version=1):
    """Return the tubes whose days the step was told to compute, None if it was not run."""
    asked = []

    def function(_state, _site, days):
        asked.append([tube for tube, row in zip(TUBES, days, strict=True) if row.all()])
        return {"found": pa.table({"n": [len(asked)]})}

    step = RecordStep("step", function, ("found",), "", version, lambda *_: inputs)
    days = np.zeros((3, 4), dtype=bool)
    days[[TUBES.index(tube) for tube in computed]] = True
    run_record_steps(state, None, (step,), days)
    return asked[0] if asked else None


@pytest.mark.parametrize("inputs", ["ground", {"T1": "loam", "T2": "loam", "T3": "clay"}])
def test_nothing_changed_runs_nothing(inputs):
    state = Notes()
    assert night(state, inputs) == TUBES  # the first time
    assert night(state, inputs) is None
    assert night(state, inputs, ["T2"]) == ["T2"]
    assert night(state, inputs, version=2) == TUBES


def test_a_tube_of_other_ground_is_computed_alone_and_with_what_was_computed():
    state = Notes()
    night(state, {"T1": "loam", "T2": "loam", "T3": "clay"})
    assert night(state, {"T1": "loam", "T2": "sand", "T3": "clay"}) == ["T2"]
    assert night(state, {"T1": "sand", "T2": "sand", "T3": "clay"}, ["T3"]) == ["T1", "T3"]
    assert night(state, {"T1": "sand", "T3": "clay"}) == ["T2"]  # its description is gone


def test_what_the_whole_site_depends_on_has_every_tube_computed():
    state = Notes()
    night(state, "ground")
    assert night(state, "other ground") == TUBES
    assert night(state, {"T1": "", "T2": "", "T3": ""}) == TUBES  # told in another form
