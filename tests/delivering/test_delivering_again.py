"""A delivery made again: events in CHANGES, and what was taken back describes nothing more."""

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import netCDF4
import numpy as np
import pytest
from delivered_site import HEADER, NOW, REQUEST, make_delivered, millivolts

from pipeline.accounts.fitting import Wish, fit_site
from pipeline.accounts.limits_report import limits_report
from pipeline.accounts.timeline import site_timeline, timeline_account
from pipeline.deliver import content, package
from pipeline.delivering.numbered import deliver_site
from pipeline.errors import PercologError
from pipeline.history.revisions import undo_site
from pipeline.lineage.delivered import trace_delivered
from pipeline.lineage.trace import Question, trace_cell
from pipeline.lineage.view import TraceError
from pipeline.nights import night, parts
from pipeline.site.fingerprint import site_hash
from pipeline.site.load import load_site

EDITS = {
    "calibrations.toml": ("slope = 0.119, offset = -0.19", "slope = 0.13, offset = -0.19"),
    "soils.toml": ('texture = "loam"', 'texture = "sandy loam"'),
    "visits.csv": (
        "2023-03-02T10:00,T2,,installation",
        "2023-03-05T09:00,T1,,cleaning,,,,,AK\n2023-03-02T10:00,T2,,installation",
    ),
}


@pytest.fixture(scope="module")
def revisions(tmp_path_factory):
    """Return a site and three revisions: at first, after an edit, after that was undone."""
    folder = tmp_path_factory.mktemp("again") / "site"
    homes = [make_delivered(folder)]
    shutil.copytree(folder, folder.with_name("first"))
    for name, (old, new) in EDITS.items():
        text = (folder / name).read_text(encoding="utf-8")
        assert text.count(old) == 1
        (folder / name).write_text(text.replace(old, new), encoding="utf-8")
    night.store_night(folder, NOW)
    homes.append(Path(deliver_site(folder, REQUEST)["revision_folder"]))
    undo_site(folder, NOW, dry_run=False)
    homes.append(Path(deliver_site(folder, REQUEST)["revision_folder"]))
    return folder, homes


def own(home):
    return json.loads((home / "datapackage.json").read_text(encoding="utf-8"))["percolog"]


def test_changes_tell_what_became_of_the_events(revisions):
    _, homes = revisions
    text = (homes[1] / "CHANGES.txt").read_text(encoding="utf-8")
    # By hand: a slope of 0.13 in place of 0.119 makes each rise at 10 cm 0.13/0.119 as large.
    lines = text.splitlines()
    line = next(line for line in lines if "event_depths water_content_gain," in line)
    assert "tube T1, 10 cm: 2 changed" in line
    mean = float(line.split("mean ")[1].split(",")[0])
    assert mean == pytest.approx(0.0821 * (0.13 / 0.119 - 1), rel=0.1)
    assert any("slope: 0.119 became 0.13" in line for line in lines)


def test_new_events_are_told_and_that_the_last_one_closed(revisions, tmp_path):
    folder = Path(shutil.copytree(revisions[0].with_name("first"), tmp_path / "site"))
    rows = [
        f"{13 + q // 96}.03.2023 {q % 96 // 4:02d}:{q % 4 * 15:02d};"
        + ";".join(
            f"{millivolts(60 + q / 4, depth):.1f}".replace(".", ",") for depth in (0, 1)
        )
        + ";0,0\n"
        for q in range(3 * 96)
    ]
    path = folder / "data" / "logger-a" / "march_13.csv"
    path.write_text(HEADER + "".join(rows), encoding="utf-8")
    night.store_night(folder, NOW)
    changes = deliver_site(folder, REQUEST)["changes"]
    # By hand: the first storm once more, at hour 18 local of the 13th; an hour and a quarter
    # later water at 10 cm is 0.005 higher.
    assert "north-slope_all_events, tube T1: 1 new: T1-20230313T1815Z" in changes
    closed = [line for line in changes if "all_events still_open" in line]
    assert len(closed) == 1
    assert "1 changed; T1-20230310T1215Z" in closed[0]


def test_after_an_undo_a_delivery_says_what_it_said_before(revisions):
    folder, homes = revisions
    assert own(homes[2])["rules"] == own(homes[0])["rules"] != own(homes[1])["rules"]
    first, disk = load_site(folder.with_name("first")), load_site(folder)
    assert site_hash(first) != site_hash(disk)
    with netCDF4.Dataset(homes[2] / "netcdf" / "north-slope_all_events.nc") as file:
        assert site_hash(first) in file.history
    old, new = (json.loads((h / "datapackage.json").read_text()) for h in (homes[0], homes[2]))
    contents = [
        {r["path"]: r["content"] for r in package["resources"] if "CHANGES" not in r["path"]}
        for package in (old, new)
    ]
    assert contents[0] == contents[1]


def test_an_earlier_state_is_delivered_as_it_was_described_then(revisions):
    folder, homes = revisions
    for home, name in zip(homes[:2], ("then", "between"), strict=True):
        made = deliver_site(folder, replace(REQUEST, name=name), own(home)["state"])
        assert own(Path(made["revision_folder"]))["rules"] == own(home)["rules"]
        again = [made["revision_folder"], str(home)]
        water = [Path(f) / "parquet" / "north-slope_all_water.parquet" for f in again]
        assert water[0].read_bytes() == water[1].read_bytes()


def test_after_an_undo_the_trace_names_the_law_in_force(revisions):
    time = datetime(2023, 3, 6, 9, tzinfo=UTC)
    account = trace_cell(revisions[0], Question("T1", time, 10))
    assert '"slope": 0.119' in json.dumps(account)
    assert '"slope": 0.13' not in json.dumps(account)
    # The state and the description that is looked into are the same again.
    assert not [remark for remark in account["remarks"] if "described otherwise" in remark]


@pytest.mark.parametrize("name", ["all_site_means", "all_events"])
def test_a_file_without_values_of_tubes_is_refused_with_advice(revisions, name):
    folder, homes = revisions
    question = Question("T1", datetime(2023, 3, 6, 9, tzinfo=UTC), 10)
    with pytest.raises(TraceError, match=f"{name}.nc: .*expected"):
        trace_delivered(homes[2] / "netcdf" / f"north-slope_{name}.nc", question, folder)


def test_after_an_undo_limits_and_timeline_are_of_the_description_in_force(revisions):
    folder, _ = revisions
    sensors = limits_report(folder, 0.3, 0.5)["sensors"]
    assert sensors[0]["texture"] == "loam"
    lanes = timeline_account(site_timeline(folder, NOW, 60))["lanes"]
    letters = [visit["letter"] for visit in lanes[0]["visits"]]
    assert letters == ["S", "R"]  # as in visits.csv at first: a swap and a reference, no C


def test_nothing_is_appended_to_files_that_were_taken_back(revisions):
    before = (revisions[0] / "calibrations.toml").read_bytes()
    with pytest.raises(PercologError, match=r"took back \(calibrations.toml.*Put back"):
        fit_site(revisions[0], Wish(append=True))
    assert (revisions[0] / "calibrations.toml").read_bytes() == before


def test_each_file_is_digested_once(revisions, tmp_path, monkeypatch):
    folder = Path(shutil.copytree(revisions[0], tmp_path / "site"))
    shutil.rmtree(folder / "out" / "deliveries" / "readers" / "r0003")
    read = []

    def counting(digest):
        def counted(path):
            read.append((digest.__name__, path.name))
            return digest(path)

        return counted

    monkeypatch.setattr(package, "file_digest", counting(content.file_digest))
    monkeypatch.setattr(package, "content_digest", counting(content.content_digest))
    account = deliver_site(folder, REQUEST)
    assert account["new"]
    assert len(read) == len(set(read))
    assert {name for name, _ in read} == {"file_digest", "content_digest"}


def test_a_depth_described_by_mistake_leaves_no_trace_when_it_is_put_right(
    revisions, tmp_path
):
    """The store remembers it, and one tube sits so that it would have a sensor there."""
    folder = shutil.copytree(revisions[0].with_name("first"), tmp_path / "site")
    wiring, right = folder / "wiring.csv", "mV_2,T1,30,"
    for old, new in ((right, "mV_2,T1,15,"), ("mV_2,T1,15,", right)):
        wiring.write_text(wiring.read_text("utf-8").replace(old, new), encoding="utf-8")
        state = night.store_night(folder, NOW)
        if new == right:
            parts.deliver(folder, state)
        home = Path(deliver_site(folder, replace(REQUEST, layers_cm=()))["revision_folder"])
        seen = depths_in([*home.glob("netcdf/*.nc"), *folder.glob("out/netcdf/*.nc")])
        assert len(seen) > 4
        assert all(np.diff(depths).min() > 0 for depths in seen)
        assert any(0.15 in depths for depths in seen) == (new != right)


def depths_in(paths):
    """Return the depths of each file that has some by name."""
    found = []
    for path in paths:
        with netCDF4.Dataset(path) as file:
            if file.dimensions.get("depth"):
                found.append(file["depth"][:].tolist())
    return found
