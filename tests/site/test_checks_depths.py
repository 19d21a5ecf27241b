"""Depths that do not fit the probe, its siblings or the soil, with what was likely meant."""

import pytest

from pipeline.site.checks_depths import (
    below_the_soil,
    depth_unlike_siblings,
    probe_at_other_depths,
    probe_in_two_tubes,
)
from pipeline.site.load import load_site

HEADER = "source,channel,tube,depth_cm,quantity,unit,probe,from,until\n"
TUBES = (
    "tube,latitude,longitude,elevation_m,installed,removed,set_in_cm,soil,group,note\n"
    + "".join(f"T{n},48.5,9.1,412.5,2023-03-01,,0,loam,,\n" for n in range(1, 5))
)


@pytest.fixture
def wired(make_site):
    """Return the invented site with four tubes and a wiring of rows as `sensor` makes."""

    def make(*rows):
        lines = [
            f"bus,{number}.M.1,{tube},{depth},{quantity},{unit},{probe},{start},{until}\n"
            for number, (tube, depth, quantity, unit, probe, start, until) in enumerate(rows)
        ]
        files = {"tubes.csv": TUBES, "wiring.csv": HEADER + "".join(lines), "visits.csv": None}
        return load_site(make_site(files=files))

    return make


def sensor(tube, depth, probe="", start="", until=""):
    return tube, depth, "root_permittivity", "1", probe, start, until


def told(check, site):
    return [str(problem) for problem in check(site)]


def profile(tube, depths, probe=""):
    return [sensor(tube, depth, probe) for depth in depths]


def test_a_probe_in_two_holes_at_once_is_told_once(wired):
    site = wired(*profile("T1", (10, 20), "P1"), *profile("T2", (10, 20), "P1"))
    [text] = told(probe_in_two_tubes, site)
    assert text.startswith("wiring.csv, line 4, column probe: found probe 'P1' in tube 'T2'")
    assert "line 2 has it in tube 'T1'" in text


def test_a_probe_moved_to_another_hole_is_fine(wired):
    site = wired(
        sensor("T1", 10, "P1", until="2023-06-01"), sensor("T2", 10, "P1", "2023-06-01")
    )
    assert told(probe_in_two_tubes, site) == []


def test_a_sensor_that_moved_along_its_probe_is_told(wired):
    before = [sensor("T1", d, "P1", until="2023-06-01") for d in (10, 20, 30)]
    after = [sensor("T2", d, "P1", "2023-06-01") for d in (10, 20, 3)]
    [text] = told(probe_at_other_depths, wired(*before, *after))
    assert text.startswith("wiring.csv, line 7, column depth_cm")
    assert "found a sensor of probe 'P1' at 3 cm; expected 30 cm, as from line 2 on" in text
    assert "Did you mean '30'?" in text


def test_a_probe_with_fewer_channels_wired_later_is_fine(wired):
    before = [sensor("T1", d, "P1", until="2023-06-01") for d in (10, 20, 30)]
    after = [sensor("T2", d, "P1", "2023-06-01") for d in (10, 20)]
    assert told(probe_at_other_depths, wired(*before, *after)) == []


def test_the_one_depth_no_sibling_has_is_told(wired):
    rows = [row for tube in ("T1", "T2", "T3") for row in profile(tube, (10, 20, 30))]
    [text] = told(depth_unlike_siblings, wired(*rows, *profile("T4", (10, 20, 33))))
    assert text.startswith("wiring.csv, line 13, column depth_cm")
    assert "found a sensor at 33 cm in tube 'T4', a depth no other tube has" in text
    assert "Did you mean '30'?" in text


@pytest.mark.parametrize(
    "depths",
    [
        (10, 20, 30),  # as its siblings
        (10, 20, 30, 60),  # one more
        (15, 25, 35),  # a probe of its own kind
    ],
)
def test_a_tube_with_a_profile_of_its_own_is_not_told(wired, depths):
    rows = [row for tube in ("T1", "T2", "T3") for row in profile(tube, (10, 20, 30))]
    assert told(depth_unlike_siblings, wired(*rows, *profile("T4", depths))) == []


def test_two_tubes_show_no_pattern(wired):
    rows = [*profile("T1", (10, 20, 30)), *profile("T2", (10, 20, 40))]
    assert told(depth_unlike_siblings, wired(*rows)) == []


def test_a_temperature_below_the_described_soil_is_told(wired):
    site = wired(sensor("T1", 10), ("T1", 900, "soil_temperature", "degC", "", "", ""))
    [text] = told(below_the_soil, site)
    assert "line 3, column depth_cm: found soil_temperature at 900 cm real depth" in text
