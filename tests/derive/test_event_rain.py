"""The rain of events: no rain twice, and totals of a gauge that logs less often, whole.

By docs/events.md: rain of an event is that from the beginning of its spell to the peak of
stored water, rain after it that until the rain of the next event begins. Numbers are by hand.
"""

import numpy as np
import pytest

from pipeline.derive.events import Span, event_rain, rain_spans

HOUR, DAY = 6, 144  # steps of ten minutes
STEPS = 4 * DAY


def rain_of(rain, starts, peaks, told=None):
    """Return rain of events and after them; the last is open until the end of the record."""
    start = np.array(starts, np.int64)
    end = np.append(start[1:], STEPS)
    last = np.arange(start.size) == start.size - 1
    told = np.arange(STEPS) if told is None else told
    spans = rain_spans(
        rain,
        Span(start, start, end),
        (DAY, 6 * HOUR),
        np.array(peaks, np.int64),
        last,
        told,
    )
    during, after, _ = event_rain(rain, spans)
    return during.tolist(), after.tolist()


def hourly(steps):
    """Return the rain of ten minutes as totals of hours, and where each step's is told."""
    rain, told = np.zeros(STEPS), np.arange(STEPS)
    for first in range(1, STEPS - HOUR, HOUR):  # the total of 1 to 6 stands at 6
        rain[first + HOUR - 1] = steps[first : first + HOUR].sum()
        told[first : first + HOUR] = first + HOUR - 1
    return rain, told


def test_a_total_that_is_told_after_the_peak_is_rain_of_the_event():
    # A shower of twenty minutes, 8 mm, into an hour's second and third step; the peak comes
    # in that hour, too, and a later shower is not of the event.
    steps = np.zeros(STEPS)
    steps[DAY + 2 : DAY + 4] = 4.0
    steps[2 * DAY] = 3.0
    assert rain_of(steps, [DAY + 3], [DAY + 4]) == ([8.0], [3.0])
    rain, told = hourly(steps)
    assert rain_of(rain, [DAY + 3], [DAY + 4], told) == ([8.0], [3.0])


def test_a_total_over_the_peak_and_the_next_onset_counts_once():
    # Two showers of one hour, of which the second begins an event: the total is the second's.
    steps = np.zeros(STEPS)
    steps[DAY + 1 : DAY + 7] = [4.0, 0.0, 0.0, 0.0, 5.0, 0.0]
    rain, told = hourly(steps)
    starts, peaks = [DAY + 1, DAY + 5], [DAY + 2, DAY + 30]
    during, after = rain_of(rain, starts, peaks, told)
    assert (during, after) == ([0.0, 9.0], [0.0, 0.0])


@pytest.mark.parametrize("peak", [-1, DAY + 2])
def test_rain_before_an_event_without_a_peak_does_not_count_for_the_next_one_too(peak):
    # 5 mm before the first onset; the second comes within six hours, too early for a peak.
    steps = np.zeros(STEPS)
    steps[DAY - 2], steps[DAY + 12] = 5.0, 7.0
    during, after = rain_of(steps, [DAY, DAY + 12], [peak, DAY + 40])
    assert (during, after) == ([5.0, 7.0], [0.0, 0.0])
