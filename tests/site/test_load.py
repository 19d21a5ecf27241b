"""A right site description becomes the models, in SI and UTC, with its defaults."""

from datetime import UTC, datetime

import pytest

from pipeline.errors import SiteError
from pipeline.site.load import load_site


def test_local_dates_become_utc(field_site):
    # By hand: midnight at +01:00 is 23:00 UTC of the day before.
    assert field_site.start == datetime(2023, 2, 28, 23, tzinfo=UTC)
    assert field_site.tube_by_id["T2"].installed == datetime(2023, 3, 2, 9, tzinfo=UTC)
    assert field_site.wiring[1].start == datetime(2023, 8, 31, 23, tzinfo=UTC)
    law = next(law for law in field_site.laws if law.version == 2)
    assert law.effective == datetime(2023, 5, 31, 23, tzinfo=UTC)


@pytest.mark.parametrize(
    ("written", "hour"), [("2023-03-02T10:00Z", 10), ("2023-03-02T10:00-02:00", 12)]
)
def test_a_stated_offset_holds_over_the_sites(make_site, written, hour):
    site = load_site(make_site({"tubes.csv": [("2023-03-02T10:00", written)]}))
    assert site.tube_by_id["T2"].installed == datetime(2023, 3, 2, hour, tzinfo=UTC)


def test_centimetres_become_metres_exactly(field_site):
    assert field_site.depths_m == (0.1, 0.3)
    assert field_site.sensor_depth_m("T2", 0.3) == 0.35
    horizon = field_site.soils["loam"].horizons[1]
    assert (horizon.top_m, horizon.bottom_m) == (0.25, 1.2)
    assert field_site.derive.layers[0].bottom_m == 0.3


def test_rows_carry_the_line_of_the_file(field_site):
    # Line 3 of wiring.csv is blank.
    assert [wire.row for wire in field_site.wiring] == [2, 4, 5, 6, 7, 8, 9]
    assert [visit.row for visit in field_site.visits] == [2, 3, 4, 5]


def test_noise_is_in_the_quantitys_unit(field_site):
    assert field_site.sensor_noise == {"voltage": 0.0005, "root_permittivity": 0.01}


def test_a_noise_of_temperature_takes_no_offset(make_site):
    edit = ("root_permittivity = 0.01", 'soil_temperature = "0.1 K"')
    site = load_site(make_site({"site.toml": [edit]}))
    assert site.sensor_noise["soil_temperature"] == pytest.approx(0.1, abs=1e-12)


def test_a_clock_left_out_is_the_sites_standard_time(field_site):
    clocks = {source.id: source.clock for source in field_site.sources}
    assert (clocks["rounds"].utc_offset, clocks["rounds"].zone) == ("+01:00", None)
    assert (clocks["bus"].utc_offset, clocks["bus"].zone) == (None, "Europe/Paris")
    assert clocks["logger-a"].stamp == "end"


def test_folders_lie_beside_the_site_unless_said(make_site):
    folder = make_site()
    site = load_site(folder)
    assert site.data == folder / "data"
    assert site.output == folder / "out"
    assert site.store == str(folder / "store")
    edit = ("interval =", 'data = "../raw"\nstore = "s3://bucket/site"\ninterval =')
    moved = load_site(make_site({"site.toml": [edit]}))
    assert moved.data == folder.parent / "raw"
    assert moved.store == "s3://bucket/site"


def test_loading_makes_no_files(make_site):
    folder = make_site()
    before = sorted(folder.rglob("*"))
    load_site(folder)
    assert sorted(folder.rglob("*")) == before


def test_publisher_is_the_creator_unless_said(make_site, field_site):
    assert field_site.publisher == field_site.creator
    edit = ("[[layer]]", '[site.publisher]\nname = "Archive"\n[[layer]]')
    assert load_site(make_site({"site.toml": [edit]})).publisher.name == "Archive"


def test_visits_may_be_left_out(make_site):
    assert load_site(make_site(files={"visits.csv": None})).visits == ()


def test_a_site_of_hand_rounds_needs_no_wiring(make_site):
    folder = make_site(files={"wiring.csv": None, "visits.csv": None})
    text = (folder / "site.toml").read_text()
    begin, end = text.index("[[source]]"), text.index('[[source]]\nid = "rounds"')
    (folder / "site.toml").write_text(text[:begin] + text[end:])
    assert load_site(folder).wiring == ()


def test_a_tube_may_pass_its_channel_on_when_it_is_removed(make_site):
    edits = {
        "tubes.csv": [
            ("2023-03-01,,0", "2023-03-01,2023-06-01,0"),
            ("T2,", "T3,48.5,9.1,412,2023-06-01,,0,loam,,\nT2,"),
        ],
        "wiring.csv": [
            ("P1,,2023-09-01", "P1,,"),
            ("mV_1,T1,10,voltage,mV,P2,2023-09-01", "mV_1,T3,10,voltage,mV,P2,"),
        ],
    }
    site = load_site(make_site(edits))
    assert [wire.tube for wire in site.wiring if wire.channel == "mV_1"] == ["T1", "T3"]


def test_neighbouring_wirings_meet_without_overlap(make_site):
    earlier = ("P1,,2023-09-01", "P1,,2023-09-01T00:00")
    load_site(make_site({"wiring.csv": [earlier]}))
    later = ("P1,,2023-09-01", "P1,,2023-09-01T00:01")
    with pytest.raises(SiteError, match="on lines 2 and 4"):
        load_site(make_site({"wiring.csv": [later]}))


def test_a_long_open_wiring_meets_all_that_follow(make_site):
    # The first row never ends; the overlap with the third must not hide behind the second.
    edits = [
        ("P1,,2023-09-01", "P1,,"),
        ("P2,2023-09-01,", "P2,2023-09-01,2023-09-02"),
        (
            "logger-a,mV_2,T1,30,voltage,mV,P3,,",
            "logger-a,mV_1,T1,30,voltage,mV,P3,2024-01-01,",
        ),
    ]
    with pytest.raises(SiteError) as caught:
        load_site(make_site({"wiring.csv": edits}))
    text = str(caught.value)
    assert "on lines 2 and 4" in text
    assert "on lines 2 and 5" in text
