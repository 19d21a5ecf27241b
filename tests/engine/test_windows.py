"""Windows about references and cleanings: a reading belongs where its own time lies."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from bare_site import HOUR_S, at, make_site, make_wire

from pipeline.calibrate.compare import seen
from pipeline.calibrate.references import Reference
from pipeline.engine.windows import TABLE, Around, Window, changes, read_windows, rejected
from pipeline.site.models import Decision, Visit

CUT = int(at(1, 10).timestamp())


def make_writer(volts, offset_s):
    """Return a state of two days of one sensor, hourly, all read so far from their steps."""
    arrays = {
        "readings/voltage": np.asarray(volts, np.float32).reshape(-1, 1, 1),
        "readings/voltage_offset_s": np.full((len(volts), 1, 1), offset_s, np.int32),
    }
    tables = {}
    return SimpleNamespace(
        axis=make_site().axis,
        steps=len(volts),
        labels={"tube": ["T1"], "depth": [0.1]},
        holds=arrays.__contains__,
        read=lambda key, start, stop, columns=slice(None): arrays[key][start:stop, columns],
        table=tables.get,
        put_table=tables.__setitem__,
        arrays=arrays,
        tables=tables,
    )


def shown(writer, *windows, days=(True, True)):
    found = read_windows(writer, windows, np.array([days]), np.array(days), make_site())
    return [(found[window].count, round(found[window].median, 6)) for window in windows]


def about(cut_s, hours=2):
    span = hours * HOUR_S
    return Window("T1", 0.1, cut_s - span, cut_s), Window("T1", 0.1, cut_s, cut_s + span)


@pytest.mark.parametrize(
    ("offset_s", "cut_s"),
    [
        (-120, CUT),  # read two minutes before each hour: that of 9:58 stands at ten
        (0, CUT - 1),  # on the hour
        (1500, CUT + 1200),  # read 25 past, swapped 20 past: that of 10:25 stands at ten
    ],
)
def test_what_two_probes_showed_is_told_apart_at_a_swap(offset_s, cut_s):
    """By hand: the old probe shows 0.5 V, the new one 0.7 V; two readings of each in 2 h."""
    taken_s = make_site().axis.seconds(0, 48) + offset_s
    writer = make_writer(np.where(taken_s < cut_s, 0.5, 0.7), offset_s)
    assert shown(writer, *about(cut_s)) == [(2, 0.5), (2, 0.7)]


def test_a_rise_is_told_over_the_window_however_readings_lie_to_their_steps():
    """By hand: 0.01 V an hour over six hours."""
    volts = 0.01 * np.arange(48)
    for offset_s in (-120, 0, 120):
        writer = make_writer(volts, offset_s)
        (window, _) = about(CUT, hours=6)
        days = np.ones((1, 2), bool)
        found = read_windows(writer, [window], days, days[0], make_site())[window]
        assert found.rise == pytest.approx(0.06, rel=1e-5)


def test_a_window_is_read_again_where_a_reading_of_it_stands_on_the_day_after():
    """That of 23:58 stands at midnight; it comes with the second day's file."""
    midnight = int(at(2).timestamp())
    writer = make_writer(np.full(48, np.nan), -120)
    window, _ = about(midnight)
    assert shown(writer, window)[0][0] == 0
    writer.arrays["readings/voltage"][24] = 0.5
    assert shown(writer, window, days=(False, True)) == [(1, 0.5)]
    assert shown(writer, window, days=(False, False)) == [(1, 0.5)]
    assert writer.tables[TABLE].num_rows == 1


def cleaned(minutes):
    """Return the windows about cleanings so many minutes after `CUT`, which count as one."""
    first = datetime.fromtimestamp(CUT, UTC)
    visits = tuple(
        Visit(row=2, time=first + timedelta(minutes=m), tube="T1", action="cleaning")
        for m in minutes
    )
    (about,) = Around(make_site(visits=visits)).of_cleanings().values()
    return about


def test_readings_about_a_cleaning_are_kept_one_by_one_and_come_back_from_the_store():
    """Hourly, three hours from the first to three after the last; 0.01 V an hour."""
    about = cleaned([0, 30])
    assert about.at_s == (CUT, CUT + 1800)
    writer = make_writer(0.01 * np.arange(48), 120)
    expected = [(CUT + 120 + hour * HOUR_S, 0.01 * (10 + hour)) for hour in range(-3, 4)]
    for changed in (True, False):
        days = np.full((1, 2), changed)
        found = read_windows(writer, about.all(), days, days[0], make_site())
        times, volts = zip(*found[about.close].near, strict=True)
        assert times == tuple(at_s for at_s, _ in expected)
        assert volts == pytest.approx([v for _, v in expected])
        assert found[about.before].near == ()


def test_of_many_readings_some_are_kept_one_by_one():
    taken_s = np.arange(1000)
    near = seen("voltage", np.full(1000, 0.5), taken_s=taken_s).near
    assert (len(near), near[0][0], near[-1][0]) == (120, 0, 999)


def test_rain_about_a_cleaning_is_of_the_station_with_the_most_and_read_again_if_late():
    """Three and a half hours before the first cleaning, half and a step after the last."""
    window = cleaned([0, 30]).rain
    assert (window.first_s, window.stop_s) == (CUT - 7 * 1800, CUT + 2 * 1800 + HOUR_S)
    writer = make_writer(np.full(48, 0.5), 0)
    nothing = np.zeros((1, 2), bool)

    def rain(rained):
        found = read_windows(writer, [window], nothing, np.array(rained), make_site())
        return found[window]

    assert rain([True, True]).count == 0  # no gauge
    fallen = np.zeros((48, 2), np.float32)
    fallen[:, 1] = np.nan
    fallen[[6, 7, 11, 12], 0] = 8.0, 1.0, 2.0, 4.0  # 7 to 11 o'clock lie within
    writer.arrays["readings/rain"] = fallen
    assert rain([False, False]).count == 0
    assert (rain([True, False]).median, rain([False, False]).count) == (3.0, 5)
    fallen[9, 1] = 5.0
    assert rain([True, False]).median == 5.0


def decision(first, until, verdict="reject", **changes):
    told = {"tube": "T1", "start": first, "until": until, "why": "pulled", "who": "me"}
    return Decision(**{"row": 2, "verdict": verdict, **told, **changes})


def test_what_a_person_rejects_tells_nothing_of_a_reference():
    """Half of the hours around it are rejected, and read again once the decision is gone."""
    writer = make_writer(np.where(np.arange(48) < 34, 0.5, 0.7), 0)
    beside = Reference("T1", 0.1, CUT, "reference", 0.2, 0.01, CUT - HOUR_S, CUT + HOUR_S + 1)
    for decisions, expected in (
        ((decision(at(1, 10), at(1, 12)),), (1, 0.5)),
        ((decision(at(1, 8), at(2)),), (0, np.nan)),
        ((decision(at(1, 8), at(2)), decision(at(1, 11), at(2), "keep")), (1, 0.5)),
        ((decision(at(1, 8), at(2), depth_m=0.3), decision(at(2), at(3))), (3, 0.5)),
        ((), (3, 0.5)),
    ):
        window = Around(make_site(decisions=decisions)).of_reference(beside)
        ((count, median),) = shown(writer, window, days=(False, False))
        assert (count, median) == (expected[0], pytest.approx(expected[1], nan_ok=True))


def test_of_two_decisions_that_meet_the_lower_row_wins():
    decisions = decision(at(1), at(5)), decision(at(2), at(3), "keep")
    spans = rejected(make_site(decisions=decisions), "T1", 0.1)
    assert spans == [
        tuple(int(at(day).timestamp()) for day in days) for days in ((1, 2), (3, 5))
    ]


@pytest.mark.parametrize(
    ("then", "is_other"),
    [
        ({"source": "slower"}, False),  # a logger set to another interval
        ({"source": "slower", "probe": "P2"}, True),
        ({"channel": "moved"}, True),
        ({"source": "slower", "probe": ""}, True),
        ({"source": "slower", "start": at(1, 11)}, True),  # not wired for an hour
    ],
)
def test_a_named_probe_that_goes_on_under_another_source_is_no_other(then, is_other):
    later = {"start": at(1, 10), **then}
    site = make_site(wiring=(make_wire(until=at(1, 10)), make_wire(**later)))
    assert (CUT in changes(site, "T1", 0.1)) == is_other
