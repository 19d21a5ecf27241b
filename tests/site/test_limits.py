"""Thresholds for every tube and depth: overrides in order, the last one wins."""

import pytest

from pipeline.errors import SiteError
from pipeline.site.limits import resolve_limits
from pipeline.site.load import load_site

SECOND = '\n[[qc.override]]\nset = { rate_suspect_per_h = 0.5 }\nwhy = "all"\n[[layer]]'


def test_an_override_touches_its_tubes_and_depths_only(field_site):
    limits = resolve_limits(field_site)
    assert set(limits) == {("T1", 0.1), ("T1", 0.3), ("T2", 0.1), ("T2", 0.3)}
    assert limits["T2", 0.1].rate_suspect_per_h == 0.3
    assert limits["T2", 0.1].flat_fail_h is None  # switched off
    assert limits["T2", 0.1].why == "beside the track, wets fast"
    assert limits["T2", 0.1].spike_suspect == 0.03  # the site's own stays
    for key in [("T1", 0.1), ("T1", 0.3), ("T2", 0.3)]:
        assert limits[key] == field_site.qc


def test_a_later_override_wins_where_both_hold(make_site):
    site = load_site(make_site({"site.toml": [("[[layer]]", SECOND)]}))
    limits = resolve_limits(site)
    assert {value.rate_suspect_per_h for value in limits.values()} == {0.5}
    assert limits["T2", 0.1].flat_fail_h is None
    assert limits["T2", 0.3].flat_fail_h == site.qc.flat_fail_h


def test_cells_under_the_same_overrides_share_one_object(make_site):
    limits = resolve_limits(load_site(make_site({"site.toml": [("[[layer]]", SECOND)]})))
    assert limits["T1", 0.1] is limits["T1", 0.3]
    assert limits["T1", 0.1] is not limits["T2", 0.1]


def test_overrides_that_contradict_only_together_are_refused(make_site):
    first = '[[qc.override]]\ntubes = ["T1"]\nset = { spike_fail = 0.04 }\nwhy = "a"\n'
    second = '[[qc.override]]\ndepths_cm = [30]\nset = { spike_suspect = 0.05 }\nwhy = "b"\n'
    load_site(make_site({"site.toml": [("[[layer]]", first + "[[layer]]")]}))
    load_site(make_site({"site.toml": [("[[layer]]", second + "[[layer]]")]}))
    with pytest.raises(SiteError, match=r"spike_suspect = 0\.05; expected no wider than"):
        load_site(make_site({"site.toml": [("[[layer]]", first + second + "[[layer]]")]}))


def test_off_is_no_value_of_a_threshold_that_cannot_be_off(make_site):
    edit = ("spike_suspect = 0.03", 'flat_tolerance = "off"')
    with pytest.raises(SiteError, match=r"key qc\.flat_tolerance: found 'off'"):
        load_site(make_site({"site.toml": [edit]}))
