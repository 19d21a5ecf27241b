"""Days that a tube lost: of those that are over."""

import numpy as np
import pytest

from pipeline.qc.contact import loss_findings

DAY_S = 86_400


@pytest.mark.parametrize(
    ("lost", "told"),
    [
        ([1], None),  # the first day of a site, which is not over
        ([0, 1], None),
        ([1, 0], "100 % of the last 1 days"),
        ([0, 0, 1, 1, 0], "50 % of the last 4 days"),
        ([0, 0, 1, 0, 1], None),
        ([1] * 30 + [0] * 60 + [1], None),  # long ago
    ],
)
def test_the_day_that_is_not_over_is_not_lost(lost, told):
    known = ~np.array(lost, dtype=bool)[:, None, None]
    day_s = np.arange(len(lost)) * DAY_S
    due = np.ones_like(known)
    found = loss_findings(["T1"], np.array([0.1]), day_s, known, due, read=known)
    sentences = [finding.sentence for finding in found]
    assert len(sentences) == (told is not None)
    assert all(sentence.endswith(told) for sentence in sentences)


@pytest.mark.parametrize(
    ("read", "kind"), [([1, 1, 1, 0, 1], "few readings"), ([1, 1, 0, 0, 1], "loss of data")]
)
def test_days_of_too_few_readings_are_no_broken_cable(read, kind):
    known = np.array([1, 0, 0, 0, 1], dtype=bool)[:, None, None]
    day_s = np.arange(5) * DAY_S
    due, seen = np.ones_like(known), np.array(read, dtype=bool)[:, None, None]
    [finding] = loss_findings(["T1"], np.array([0.1]), day_s, known, due, seen)
    assert finding.kind == kind
    assert ("another interval" in finding.action) == (kind == "few readings")
    assert ("interval stated" in finding.sentence) == (kind == "few readings")
