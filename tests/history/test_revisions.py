"""Doing it again: what a changed description recomputes equals a run from nothing."""

import shutil
from datetime import UTC, datetime

import big_field
import numpy as np
import pytest
from states import assert_same_results, newest

from pipeline.errors import StoreError
from pipeline.history.revising import thin_store
from pipeline.history.revising_text import show_done
from pipeline.history.revisions import recalibrate_site, undo_site
from pipeline.nights import night
from pipeline.store.cubes import SPECS
from pipeline.store.states import list_states
from pipeline.watch.status import site_status

NOW = datetime(2030, 1, 1, tzinfo=UTC)
TUBES, DAYS = 7, 6
MIDDLE = "2023-01-04T11:20"

NEW_LAW = f"""
[[law]]
id = "a"
version = 2
kind = "soil"
form = "linear_root_permittivity"
coefficients = {{slope = 0.1200, offset = -0.1800}}
valid = [1.0, 9.0]
standard_error = 0.02
from = "{MIDDLE}Z"
origin = "invented: fitted again"
"""
SAND = """
[soil.sand]
title = "Sand"
[[soil.sand.horizon]]
name = "C"
top_cm = 0
bottom_cm = 150
calibration = "b"
"""
VISITS = f"""time,tube,source,action,depth_cm,value,unit,note,who
{MIDDLE}Z,T2,,reference,30,21.5,%,core beside the tube,AK
{MIDDLE}Z,T4,,cleaning,,,,,AK
"""


def replace(folder, name, *pairs):
    text = (folder / name).read_text()
    for old, new in pairs:
        assert text.count(old) >= 1, (name, old)
        text = text.replace(old, new)
    (folder / name).write_text(text)


def row(channel, tube, depth, start="2023-01-01", until=""):
    """Return a row of wiring.csv for the first logger, all of whose probes have one law."""
    source = f"L{int(channel[1]) // big_field.TUBES_A_LOGGER}"
    return f"{source},{channel},{tube},{depth},voltage,mV,P{channel[1]},{start},{until}\n"


def new_law(folder):
    with (folder / "calibrations.toml").open("a") as stream:
        stream.write(NEW_LAW)


def corrected_wiring(folder):
    """Two channels of a tube were taken for one another, all along."""
    replace(
        folder,
        "wiring.csv",
        (row("T1_10", "T1", 10), row("T1_10", "T1", 20)),
        (row("T1_20", "T1", 20), row("T1_20", "T1", 10)),
    )


def rewired(folder):
    """Two tubes changed places on their logger half way."""
    replace(
        folder,
        "wiring.csv",
        (row("T1_30", "T1", 30), row("T1_30", "T1", 30, until=f"{MIDDLE}Z")),
        (row("T2_30", "T2", 30), row("T2_30", "T2", 30, until=f"{MIDDLE}Z")),
    )
    with (folder / "wiring.csv").open("a") as stream:
        stream.write(row("T1_30", "T2", 30, start=f"{MIDDLE}Z"))
        stream.write(row("T2_30", "T1", 30, start=f"{MIDDLE}Z"))


def moved_sensor(folder):
    """A sensor hangs deeper than was written, where no other one does."""
    replace(folder, "wiring.csv", (row("T6_60", "T6", 60), row("T6_60", "T6", 70)))


def dropped_channel(folder):
    replace(folder, "wiring.csv", (row("T3_100", "T3", 100), ""))


def changed_soil(folder):
    with (folder / "soils.toml").open("a") as stream:
        stream.write(SAND)
    replace(
        folder,
        "tubes.csv",
        (
            "T5,48.0005,9.0005,400,2023-01-01,,0,loam",
            "T5,48.0005,9.0005,400,2023-01-01,,0,sand",
        ),
    )


def new_reference(folder):
    (folder / "visits.csv").write_text(VISITS)


def set_deeper(folder):
    replace(
        folder,
        "tubes.csv",
        ("T0,48.0,9.0,400,2023-01-01,,0,loam", "T0,48.0,9.0,400,2023-01-01,,3.5,loam"),
    )


# Each edit of a group concerns tubes of its own.
EDITS = {
    "law": [new_law],
    "wiring, depth, soil": [corrected_wiring, moved_sensor, changed_soil],
    "rewired, dropped, reference, set in": [
        rewired,
        dropped_channel,
        new_reference,
        set_deeper,
    ],
}


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Return a site whose nights have run; every test works on a copy of its own."""
    folder = big_field.describe_field(tmp_path_factory.mktemp("stored") / "site", TUBES)
    for first in range(0, DAYS, 3):
        big_field.write_days(folder, TUBES, first, min(3, DAYS - first))
        night.store_night(folder, NOW)
    return folder


@pytest.fixture
def site(stored, tmp_path):
    return shutil.copytree(stored, tmp_path / "site")


def from_nothing(folder):
    """Return the state of a run over everything, by the same description."""
    fresh = shutil.copytree(
        folder, folder.parent / f"{folder.name}-fresh", ignore=shutil.ignore_patterns("store*")
    )
    night.store_night(fresh, NOW)
    return newest(fresh)


@pytest.mark.slow
@pytest.mark.parametrize("name", EDITS)
def test_what_an_edit_recomputes_equals_a_run_from_nothing(site, name):
    for edit in EDITS[name]:
        edit(site)
    account = recalibrate_site(site, NOW, dry_run=False)
    assert account["tubes"]
    assert_same_results(newest(site), from_nothing(site))


def test_a_new_law_touches_its_days_and_sensors_only(site):
    new_law(site)
    account = recalibrate_site(site, NOW, dry_run=False)
    # The quality tests look a day ahead, so the day before is computed, with the same result.
    assert {row["first"] for row in account["tubes"]} == {"2023-01-03"}
    assert {row["depth_cm"] for row in account["water"]} == {10.0, 20.0, 30.0, 40.0}
    assert {row["first"] for row in account["water"]} == {f"{MIDDLE}:00Z"}
    # By hand: 0.32 to 0.58 V are a root permittivity of 2.56 to 3.79 by the probes' law; the
    # new law says between 0.0062 * 2.56 - 0.0042 and 0.0062 * 3.79 - 0.0042 more.
    for change in account["water"]:
        assert change["appeared"] == change["vanished"] == 0
        assert 0.0117 < change["mean"] < 0.0193
        assert change["mean"] <= change["largest"] < 0.0193


def test_a_dry_run_shows_the_same_and_leaves_nothing(site):
    new_law(site)
    store = night.site_store(night.open_description(site))
    before, files = store.read(), tree(site / "store")
    shown = recalibrate_site(site, NOW, dry_run=True)
    assert tree(site / "store") == files
    assert next(state["commit"] for state in list_states(store)) == before.commit_id
    done = recalibrate_site(site, NOW, dry_run=False)
    assert (shown["done"], shown["commit"], done["done"]) == (False, None, True)
    for part in ("tubes", "water", "storage", "readings", "arrays", "tables", "description"):
        assert done[part] == shown[part]


def tree(folder):
    return {path.relative_to(folder): path.stat().st_size for path in folder.rglob("*")}


def test_nobody_asked_or_a_refusal_changes_nothing(site):
    new_law(site)
    asked = []
    account = recalibrate_site(site, NOW, False, lambda shown: asked.append(shown) or False)
    assert (len(asked), account["done"]) == (1, False)
    assert len(list_states(night.site_store(night.open_description(site)))) == 2


def test_files_outside_a_corrected_time_are_not_read_again(site):
    rewired(site)
    account = recalibrate_site(site, NOW, dry_run=False)
    assert account["files_read"] == 1  # of the two of that logger, the first ends before
    ledger = newest(site).table("ledger").to_pandas()
    assert len(ledger.groupby(["source", "fingerprint"])) == 2  # one a source, all up to date


def test_readings_of_files_that_are_gone_are_told_of(site):
    (site / "raw" / "L0" / "00000.csv").unlink()
    corrected_wiring(site)
    result = night.store_night(site, NOW)
    (told,) = result["set_aside"]
    assert told["file"] == "L0/00000.csv"
    assert "1 file" in told["found"]
    assert "12960 readings stay" in told["advice"]  # by hand: 3 * 144 * 5 tubes * 6 depths


def test_a_wiring_row_takes_its_readings_along(site):
    """The readings of two exchanged channels change places; nothing stays at the old one."""
    before = newest(site)
    corrected_wiring(site)
    account = recalibrate_site(site, NOW, dry_run=False)
    after = newest(site)
    tube = before.labels["tube"].index("T1")
    shallow, deep = (before.labels["depth"].index(depth) for depth in (0.1, 0.2))
    for suffix in ("", "_file", "_line", "_offset_s"):
        old, new = (s.array(f"readings/voltage{suffix}")[:, tube] for s in (before, after))
        np.testing.assert_array_equal(new[:, shallow], old[:, deep])
        np.testing.assert_array_equal(new[:, deep], old[:, shallow])
    places = {(row["place"], row["depth_cm"]) for row in account["readings"]}
    assert places == {("T1", 10.0), ("T1", 20.0)}
    ledger = after.table("ledger").to_pandas()
    assert (ledger["values_read"] == ledger["stored"]).all()


def test_undoing_brings_back_every_result_and_keeps_the_readings(site):
    before = newest(site)
    new_law(site)
    corrected_wiring(site)
    recalibrate_site(site, NOW, dry_run=False)
    account = undo_site(site, NOW, dry_run=False)
    after = newest(site)
    assert account["restored"] == before.commit_id
    for key in SPECS:
        if before.holds(key):
            assert after.array(key)[:].tobytes() == before.array(key)[:].tobytes(), key
    assert after.table("rules").equals(before.table("rules"))
    assert sorted(change["file"] for change in account["put_back"]) == [
        "calibrations.toml",
        "wiring.csv",
    ]


def test_what_was_undone_stays_undone_until_the_description_is_edited_again(site):
    new_law(site)
    recalibrate_site(site, NOW, dry_run=False)
    undo_site(site, NOW, dry_run=False)
    undone = newest(site)
    (why,) = (line for line in site_status(site, NOW)["why"] if "taken back" in line)
    assert "calibrations.toml" in why
    assert undone.attributes["undone"]["restored"] in why
    big_field.write_days(site, TUBES, DAYS, 1)
    result = night.store_night(site, NOW)  # the disk still holds the new law
    assert "taken back" in result["set_aside"][0]["found"]
    assert result["set_aside"][0]["file"] == "calibrations.toml"
    later = newest(site)
    assert later.table("rules").equals(undone.table("rules"))
    law = "water/calibrated_water_content"
    assert later.array(law)[: undone.steps].tobytes() == undone.array(law)[:].tobytes()
    assert np.isfinite(later.array(law)[undone.steps :]).any()
    replace(site, "calibrations.toml", ("slope = 0.1200", "slope = 0.1201"))
    assert night.store_night(site, NOW)["set_aside"] == []
    assert_same_results(newest(site), from_nothing(site))


def test_put_back_files_end_the_matter(site):
    new_law(site)
    recalibrate_site(site, NOW, dry_run=False)
    account = undo_site(site, NOW, dry_run=False)
    for path in account["files"]:
        shutil.copy(path, site)
    result = night.store_night(site, NOW)
    assert (result["set_aside"], result["days_computed"]) == ([], 0)
    assert not newest(site).attributes["undone"]
    assert not any("taken back" in line for line in site_status(site, NOW)["why"])
    new_law(site)  # the same edit, made again on purpose, counts
    assert night.store_night(site, NOW)["days_computed"] > 0


def test_undo_tells_of_an_edit_that_comes_into_force_all_the_same(site, capsys):
    new_law(site)
    decided = site / "decisions.csv"
    decided.write_text(
        "tube,depth_cm,from,until,verdict,why,who\n"
        "T1,10,2030-01-01,2030-01-02,reject,trodden on,Me\n"
    )
    night.store_night(site, NOW)
    replace(site, "calibrations.toml", ("slope = 0.1200", "slope = 0.1201"))
    account = undo_site(site, NOW, dry_run=False) | {"folder": str(site)}
    show_done(account)
    told = capsys.readouterr().err
    assert "edited since: the next night goes by it" in told
    assert f"calibrations.toml to {site}" in told
    assert "remove decisions.csv: there was none" in told
    assert night.store_night(site, NOW)["days_computed"] > 0


def test_undo_is_refused_where_another_run_wrote_while_a_person_looked(site):
    new_law(site)
    recalibrate_site(site, NOW, dry_run=False)

    def meanwhile(_account):
        with night.site_store(night.open_description(site)).write() as writer:
            writer.set_attributes({"other": 1})
            writer.commit("of another run", {})
        return True

    with pytest.raises(StoreError, match="meanwhile"):
        undo_site(site, NOW, False, meanwhile)
    assert not newest(site).attributes.get("undone")


def test_undo_of_a_tube_that_was_added_says_whose_description_lacks_it(site):
    before = newest(site)
    row_of_1 = next(r for r in (site / "tubes.csv").read_text().split() if r[:3] == "T1,")
    with (site / "tubes.csv").open("a") as file:
        file.write(row_of_1.replace("T1,", "T99,") + "\n")
    big_field.write_days(site, TUBES, DAYS, 1)
    night.store_night(site, NOW)
    with pytest.raises(StoreError, match=rf"of state {before.commit_id} cannot.*'T99'"):
        undo_site(site, NOW, dry_run=False)


def test_thinning_makes_no_store(site):
    shutil.rmtree(site / "store")
    for dry_run in (True, False):
        with pytest.raises(StoreError, match="expected a store, found none"):
            thin_store(site, dry_run)
    assert not (site / "store").exists()


def test_a_second_undo_leads_further_back_and_recalibrate_forward_again(site):
    first = newest(site)
    set_deeper(site)
    recalibrate_site(site, NOW, dry_run=False)
    second = newest(site)
    new_law(site)
    recalibrate_site(site, NOW, dry_run=False)
    third = newest(site)
    assert undo_site(site, NOW, dry_run=False)["restored"] == second.commit_id
    assert undo_site(site, NOW, dry_run=False)["restored"] == first.commit_id
    assert night.store_night(site, NOW)["days_computed"] == 0
    with pytest.raises(StoreError, match="nothing to undo"):
        undo_site(site, NOW, dry_run=False)
    recalibrate_site(site, NOW, dry_run=False)  # the files on the disk were never put back
    assert_same_results(newest(site), third)
    assert night.store_night(site, NOW)["set_aside"] == []


def test_readings_alone_are_nothing_to_undo(site):
    with pytest.raises(StoreError, match="readings are never taken back"):
        undo_site(site, NOW, dry_run=False)


def test_undo_keeps_readings_that_came_with_the_undone_night(site):
    old = shutil.copytree(site, site.parent / "old")
    big_field.write_days(old, TUBES, DAYS, 2)
    big_field.write_days(site, TUBES, DAYS, 2)
    new_law(site)
    night.store_night(site, NOW)
    undo_site(site, NOW, dry_run=False)
    night.store_night(old, NOW)
    assert_same_results(newest(site), newest(old))
