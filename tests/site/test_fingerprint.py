"""Hashes change with what decides a result, and with nothing else."""

import pytest

from pipeline.site.fingerprint import site_hash, source_fingerprint
from pipeline.site.load import load_site

# Edits that are about people, places on the disk or the order of rows.
IDLE = {
    "note": ("tubes.csv", "beside the track, wet", "beside a brook"),
    "visit note": ("visits.csv", "P1 failed", "P1 wet inside"),
    "source note": ("site.toml", "winter time all year", "no summer time"),
    "archived files": ("site.toml", "note = ", "archived_before = 2023-03-05\nnote = "),
    "reason": ("site.toml", "wets fast", "wets quickly"),
    "comment": ("wiring.csv", "\n\n", "\n# a swap\n\n"),
    "data folder": ("site.toml", "interval =", 'data = "../raw"\noutput = "o"\ninterval ='),
    "same time": ("wiring.csv", "P2,2023-09-01", "P2,2023-08-31T23:00Z"),
    "row order": (
        "wiring.csv",
        "bus,0.M.1,T2,10,root_permittivity,1,,,\nbus,0.M.2,T2,30,root_permittivity,1,,,\n",
        "bus,0.M.2,T2,30,root_permittivity,1,,,\nbus,0.M.1,T2,10,root_permittivity,1,,,\n",
    ),
}
# Edits that change the site, and whether the readings of logger-a change with it.
TELLING = {
    "title": ("site.toml", "Soil water on", "Water on", False),
    "other wiring": ("wiring.csv", "bus,0.M.3,T2,10", "bus,0.M.3,T2,30", False),
    "coefficient": ("calibrations.toml", "slope = 0.12,", "slope = 0.13,", False),
    "threshold": ("site.toml", "spike_fail = 0.06", "spike_fail = 0.07", False),
    "other tube": ("tubes.csv", "2023-03-02T10:00", "2023-03-02T11:00", False),
    "horizon": ("soils.toml", "bulk_density = 1.35", "bulk_density = 1.4", False),
    "other layout": (
        "layouts/transcript.toml",
        "[transcript]",
        "[transcript]\nsent = '='",
        False,
    ),
    "unit": ("wiring.csv", "T1,30,voltage,mV", "T1,30,voltage,V", True),
    "channel": ("wiring.csv", "mV_2", "mV_3", True),
    "wired tube": ("tubes.csv", "2023-03-01,,0", "2023-02-01,,0", True),
    "layout": ("layouts/analog.toml", 'decimalChar = ","', 'decimalChar = "."', True),
    "clock": ("site.toml", 'stamp = "end"', 'stamp = "start"', True),
    "interval": ("site.toml", "15 min", "10 min", True),
    "start": ("site.toml", "start = 2023-03-01", "start = 2023-02-01", True),
}


@pytest.mark.parametrize("name", IDLE)
def test_remarks_places_and_row_order_do_not_count(make_site, field_site, name):
    file, old, new = IDLE[name]
    site = load_site(make_site({file: [(old, new)]}))
    assert site_hash(site) == site_hash(field_site)
    for source in site.sources:
        assert source_fingerprint(site, source.id) == source_fingerprint(field_site, source.id)


@pytest.mark.parametrize("name", TELLING)
def test_what_decides_a_result_counts(make_site, field_site, name):
    file, old, new, is_read_otherwise = TELLING[name]
    site = load_site(make_site({file: [(old, new)]}))
    assert site_hash(site) != site_hash(field_site)
    same = source_fingerprint(site, "logger-a") == source_fingerprint(field_site, "logger-a")
    assert same is not is_read_otherwise


def test_names_that_look_like_remarks_count(make_site):
    # A tube called "note" must not fall out of the hash.
    edits = {"tubes.csv": [("T1,", "note,")], "visits.csv": [], "wiring.csv": []}
    files = {"visits.csv": None}
    folder = make_site(edits, files)
    path = folder / "wiring.csv"
    path.write_text(path.read_text().replace(",T1,", ",note,"))
    first = load_site(folder)
    table = folder / "tubes.csv"
    table.write_text(table.read_text().replace("2023-03-01,,0", "2023-02-01,,0"))
    second = load_site(folder)
    assert source_fingerprint(first, "logger-a") != source_fingerprint(second, "logger-a")


def test_rounds_depend_on_every_tube(make_site, field_site):
    site = load_site(make_site({"tubes.csv": [("2023-03-02T10:00", "2023-03-02T11:00")]}))
    assert source_fingerprint(site, "rounds") != source_fingerprint(field_site, "rounds")


def test_an_unknown_source_is_a_key_error(field_site):
    with pytest.raises(KeyError):
        source_fingerprint(field_site, "nobody")
