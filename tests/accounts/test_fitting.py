"""``percolog fit`` on whole sites: from a night's store to a law that the next night uses."""

from __future__ import annotations

import json
import shutil
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline import cli
from pipeline.accounts.fitting import Wish, fit_site
from pipeline.accounts.fitting_text import entries_text, show_fit
from pipeline.errors import PercologError, SiteError
from pipeline.nights import night
from pipeline.site.load import load_site

FIELD = Path(__file__).parents[1] / "site" / "field"
NOW = datetime(2023, 4, 20, tzinfo=UTC)
NOON_S = 1678446000  # 10 March 2023, 11:00 UTC, noon at the site
DAYS = range(10, 25)  # of March 2023
SLOPE, OFFSET = 0.131, -0.212  # of the soil as it is; the site begins with 0.12 and -0.2


def millivolts(day, hour):
    """Return what the sensor at 30 cm logs: the soil dries for two weeks."""
    return 800 - 30 * (day - 10) - hour


def root(day):
    """Return root permittivity at noon; by hand, the table [0, .5, 1] V to [1, 3, 6]."""
    return float(np.interp(millivolts(day, 12) / 1000, [0, 0.5, 1], [1, 3, 6]))


def export():
    rows = [
        f"{day:02d}.03.2023 {hour:02d}:{minute:02d};300;{millivolts(day, hour)};0,0"
        for day in DAYS
        for hour in range(24)
        for minute in (0, 15, 30, 45)
    ]
    return "\n".join(["Time;mV_1;mV_2;rain", ";mV;mV;mm", *rows]) + "\n"


def sample(day, more=0.0):
    """Return a core of 100 cm3 as wet as the soil is at noon."""
    water = 100 * (SLOPE * root(day) + OFFSET + more)
    return f"2023-03-{day}T12:00,T1,30,{140 + water:.6f},140,100,0.02,2\n"


HEADER = "time,tube,depth_cm,wet_g,dry_g,volume_cm3,mass_error_g,volume_error_cm3\n"
SAMPLES = HEADER + "".join(sample(day, 0.004 * (-1) ** day) for day in DAYS)


_PUBLISHED = ("id", "version", "kind", "standard_error", "origin")  # of a published equation


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Write one site and run its night once."""
    folder = tmp_path_factory.mktemp("fitting") / "site"
    shutil.copytree(FIELD, folder)
    raw = folder / "data" / "logger-a" / "march.csv"
    raw.parent.mkdir(parents=True)
    raw.write_text(export(), encoding="utf-8")
    night.store_night(folder, NOW)
    return folder


@pytest.fixture
def site(stored, tmp_path):
    """Return a copy of the site, with its store and with samples."""
    folder = tmp_path / "site"
    shutil.copytree(stored, folder)
    (folder / "samples.csv").write_text(SAMPLES, encoding="utf-8")
    return folder


def test_the_law_of_the_soil_is_found_again(site):
    account = fit_site(site, Wish())
    assert (account["outcome"], account["samples"]) == ("done", 15)
    (law,) = account["laws"]
    assert (law["law"], law["version"], law["horizons"]) == ("subsoil", 2, ["loam B"])
    for key in ("ordinary", "both"):
        found, errors = law[key]["coefficients"], law[key]["standard_errors"]
        assert abs(found[0] - OFFSET) < 2.5 * errors[0]
        assert abs(found[1] - SLOPE) < 2.5 * errors[1]
        # By hand: samples 0.004 off either way scatter by 0.004 x sqrt(15 / 13).
        assert law[key]["residual_sd"] == pytest.approx(0.0043, abs=0.0003)
    first = law["pairs"][0]
    # By hand: nine readings from 11:00 to 13:00, symmetric about noon.
    assert first["readings"] == 9
    assert first["root_permittivity"] == pytest.approx(root(10), abs=2e-3)


def test_a_law_is_told_and_kept_though_its_picture_cannot_be_drawn(site, capsys):
    account = fit_site(site, Wish(pictures=site / "samples.csv", append=True))
    assert (account["outcome"], account["appended"]) == ("failed", True)
    assert [failure["part"] for failure in account["failures"]] == ["draw"]
    (law,) = account["laws"]
    assert "picture" not in law
    show_fit(account)
    told = capsys.readouterr().err
    assert "1 law fitted to 15 samples" in told
    assert "draw: " in told


def test_the_picture_is_drawn(site):
    (law,) = fit_site(site, Wish())["laws"]
    assert law["picture"].endswith("fit/subsoil-2.png")
    with Image.open(law["picture"]) as picture:
        assert picture.width == 1260  # 6.3 inches of 200 pixels


def test_readings_beyond_the_samples_are_counted(site):
    (law,) = fit_site(site, Wish(valid="1,3"))["laws"]
    roots = [np.interp(millivolts(d, h) / 1000, [0, 0.5, 1], [1, 3, 6])
             for d in DAYS for h in range(24)]  # fmt: skip
    assert law["readings_outside"] == pytest.approx(np.mean(np.greater(roots, 3)), abs=2e-3)
    assert any("goes beyond the samples" in warning for warning in law["warnings"])


def test_appended_law_is_used_by_the_next_night_and_the_old_ones_stay(site):
    before = (site / "calibrations.toml").read_bytes()
    account = fit_site(site, Wish(append=True, effective="2023-03-01"))
    after = (site / "calibrations.toml").read_bytes()
    assert after == before + b"\n" + entries_text(account).encode()
    newest = load_site(site).laws[-1]
    assert (newest.id, newest.version) == ("subsoil", 2)
    assert newest.effective == datetime(2023, 2, 28, 23, tzinfo=UTC)
    night.store_night(site, NOW)
    described = night.open_description(site)
    snapshot = night.site_store(described).read()
    step = int(
        described.axis.nearest(np.array([1678446000]))[0][0]
    )  # 10 March 2023, 11:00 UTC
    tube, depth = snapshot.labels["tube"].index("T1"), snapshot.labels["depth"].index(0.3)
    water = snapshot.read("water/calibrated_water_content", step, step + 1)[0, tube, depth]
    offset, slope = account["laws"][0]["ordinary"]["coefficients"]
    assert water == pytest.approx(offset + slope * root(10), abs=1e-6)


def test_a_first_version_that_begins_late_leaves_readings_without_a_law(site, capsys):
    text = (site / "calibrations.toml").read_text()
    old, published = text[text.index('id = "subsoil"') :], 'form = "topp_1980"\n'
    kept = [line for line in old.splitlines() if line.split(" = ")[0] in _PUBLISHED]
    (site / "calibrations.toml").write_text(
        text.replace(old, "\n".join(kept) + "\n" + published)
    )
    (law,) = fit_site(site, Wish(effective="2023-03-12"))["laws"]
    assert law["version"] == 1
    assert any("begins on 2023-03-12" in warning for warning in law["warnings"])
    account = fit_site(site, Wish())
    assert not any("begins on" in warning for warning in account["laws"][0]["warnings"])
    show_fit(account)
    assert "offset, slope" in capsys.readouterr().err


def test_the_same_fit_is_not_appended_twice(site):
    fit_site(site, Wish(append=True))
    grown = (site / "calibrations.toml").read_bytes()
    with pytest.raises(SiteError, match="very coefficients"):
        fit_site(site, Wish(append=True))
    assert (site / "calibrations.toml").read_bytes() == grown


def test_a_law_that_could_not_be_used_is_not_appended(site):
    before = (site / "calibrations.toml").read_bytes()
    flipped = SAMPLES.splitlines(keepends=True)
    masses = [line.split(",")[3] for line in flipped[1:]]
    turned = [
        line.replace(mass, other)
        for line, mass, other in zip(flipped[1:], masses, masses[::-1], strict=True)
    ]
    (site / "samples.csv").write_text(flipped[0] + "".join(turned), encoding="utf-8")
    with pytest.raises(SiteError, match="does not rise"):
        fit_site(site, Wish(append=True))
    assert (site / "calibrations.toml").read_bytes() == before


def test_what_was_not_used_is_told(site, capsys):
    table = SAMPLES.replace("\n", ",left_out\n", 1) + sample(12).replace("T1,30", "T1,50")
    table += sample(13).replace("T12:00", "T13:00").replace("\n", ",a root\n")
    table += sample(14, 0.15).replace("T12:00", "T12:15")
    (site / "samples.csv").write_text(table, encoding="utf-8")
    account = fit_site(site, Wish())
    assert account["outcome"] == "attention"
    show_fit(account)
    told = capsys.readouterr().err
    assert "line 17 (tube T1, 50 cm): the nearest sensor really lies at 30 cm" in told
    assert "left out by you: line 18: a root" in told
    assert "look at: line 19 (tube T1, 30 cm): lies 0.1" in told


def test_readings_of_a_sensor_that_stood_still_are_not_soil(site):
    """A value that the tests remove as certainly faulty is none to calibrate by."""
    described = night.open_description(site)
    store = night.site_store(described)
    with store.write() as writer:
        steps = writer.steps
        tube, depth = writer.labels["tube"].index("T1"), writer.labels["depth"].index(0.3)
        writer.array("water/quality")[:, tube, depth] = np.full(steps, 4, np.uint8)
        writer.array("water/tests")[:, tube, depth] = np.full(steps, 16, np.uint16)
        writer.commit("stuck", {})
    account = fit_site(site, Wish())
    assert account["laws"] == []
    assert {one["reason"] for one in account["unmatched"]} == {
        "no reading of root permittivity in its time"
    }


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (Wish(method="best"), "expected one of"),
        (Wish(valid="5,2"), "two numbers"),
        (Wish(valid="wide"), "two numbers"),
        (Wish(effective="01.04.2023"), "Did you mean '2023-04-01'"),
    ],
)
def test_a_wish_that_cannot_be_met_is_told(site, wish, words):
    with pytest.raises(PercologError, match=words):
        fit_site(site, wish)


def test_a_site_without_samples_is_told(site):
    (site / "samples.csv").unlink()
    with pytest.raises(SiteError, match=r"samples\.csv"):
        fit_site(site, Wish())


def test_the_command_prints_the_entry_alone_on_standard_output(site, capsys, monkeypatch):
    monkeypatch.setattr("sys.argv", ["percolog", "fit", str(site), "--method", "both"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 0
    out, err = capsys.readouterr()
    (entry,) = tomllib.loads(out)["law"]
    assert "errors in both" in entry["origin"]
    assert "least squares" in err
    monkeypatch.setattr("sys.argv", ["percolog", "fit", str(site), "--json"])
    with pytest.raises(SystemExit):
        cli.main()
    document = json.loads(capsys.readouterr().out)
    assert document["sites"][0]["laws"][0]["entry"].startswith("[[law]]")
