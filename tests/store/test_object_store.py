"""The store in a bucket of a local S3-compatible server: the same bits, the same safety."""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import time

import numpy as np
import pytest
from mute_relay import relay
from object_server import BUCKET, KEYS, object_server
from traced_site import NOW, ask, day_text, make_field, put

from pipeline.accounts.verify import verify_site
from pipeline.delivering.contents import Request
from pipeline.delivering.numbered import deliver_site
from pipeline.errors import LockedError, LostStoreError, SiteError, StoreError
from pipeline.history.revising import site_comparison, site_history
from pipeline.history.revisions import recalibrate_site, undo_site
from pipeline.nights import night, parts
from pipeline.nights.thinning import thin_site
from pipeline.own_folder import state_folder
from pipeline.store import object_store
from pipeline.store.cubes import SPECS
from pipeline.store.site_store import SiteStore


@pytest.fixture(scope="session")
def endpoint():
    with object_server() as address:
        yield address


@pytest.fixture
def reached(endpoint, monkeypatch, tmp_path):
    for name, value in {**KEYS, "AWS_ENDPOINT_URL": endpoint}.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "state"))
    return endpoint


@pytest.fixture(scope="module")
def local(tmp_path_factory):
    return make_field(tmp_path_factory.mktemp("local") / "north")


def in_bucket(folder, prefix):
    """Return the store of a site whose description is made to name the bucket."""
    path = folder / "site.toml"
    text = path.read_text()
    assert text.count("[site]\n") == 1
    path.write_text(text.replace("[site]\n", f'[site]\nstore = "s3://{BUCKET}/{prefix}"\n'))
    return night.site_store(night.open_description(folder))


def remote_copy(local, folder, prefix):
    shutil.copytree(local, folder, ignore=shutil.ignore_patterns("store*", "out*"))
    return in_bucket(folder, prefix)


def same_bits(one, other):
    assert one.labels == other.labels
    held = [key for key in SPECS if one.holds(key)]
    assert held == [key for key in SPECS if other.holds(key)]
    assert len(held) > 20
    for key in held:
        assert (
            np.asarray(one.array(key)[:]).tobytes()
            == np.asarray(other.array(key)[:]).tobytes()
        )
    assert one.tables() == other.tables()
    for name in one.tables():  # as bytes: Arrow finds no NaN equal to another
        if name == "description":  # site.toml names another store, and only that differs
            near, far = (state.table(name)["content"].to_pylist() for state in (one, other))
            assert [re.sub(rb"store = .*\n", b"", text) for text in far] == near
            continue
        assert one.parts(name) == other.parts(name)
        for stored in [f"{name}.{part}" for part in one.parts(name)] or [name]:
            key = f"tables/{stored}"
            assert one.array(key)[:].tobytes() == other.array(key)[:].tobytes(), stored


def test_two_nights_are_bit_for_bit_those_of_a_local_store(reached, local, tmp_path):
    near = tmp_path / "near" / "north"
    shutil.copytree(local, near)
    far = tmp_path / "far" / "north"
    store = remote_copy(local, far, "two/north")
    night.store_night(far, NOW)
    for folder in (near, far):
        text = day_text({}).replace("10.03.", "11.03.")
        path = put(folder, "logger-a/2023-03-11.csv", text)
        os.utime(path, (1_678_600_000, 1_678_600_000))  # the ledger notes when it was written
        result = night.store_night(folder, NOW)
        assert result["raw_files"]["read"] == 1
    same_bits(night.site_store(night.open_description(near)).read(), store.read())
    assert [state["metadata"]["night"] for state in store.history()] == [2, 1]
    assert not any(near.parent.parent.joinpath("far").rglob("*.sums"))
    assert verify_site(far)["outcome"] == "done"


def test_a_second_run_on_the_same_machine_waits_and_says_so(reached, local, tmp_path):
    store = remote_copy(local, tmp_path / "north", "one/north")
    again = SiteStore(store.address, store.axis, store.site)
    with store.write(), pytest.raises(LockedError, match="another run"):
        with again.write(wait_s=0.1):
            pass
    assert list((state_folder() / "locks").glob("*.lock"))


def test_of_two_machines_the_later_commit_is_refused(reached, local, tmp_path, monkeypatch):
    store = remote_copy(local, tmp_path / "north", "pair/north")
    with store.write() as writer:
        writer.commit("begun", {"night": 1})
    other = SiteStore(store.address, store.axis, store.site)
    with store.write() as late:
        monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "another machine"))
        with other.write() as early:
            early.set_attributes({"who": "early"})
            kept = early.commit("early", {"night": 2})
        late.set_attributes({"who": "late"})
        with pytest.raises(LockedError, match="another writer committed meanwhile"):
            late.commit("late", {"night": 2})
    fresh = SiteStore(store.address, store.axis, store.site).read()
    assert (fresh.commit_id, fresh.attributes["who"]) == (kept, "early")


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("AWS_ENDPOINT_URL", "http://127.0.0.1:1", "set AWS_ENDPOINT_URL"),
        ("AWS_ENDPOINT_URL", "127.0.0.1:9000", "AWS_ENDPOINT_URL: expected http"),
        ("AWS_ACCESS_KEY_ID", "", "set AWS_ACCESS_KEY_ID"),
    ],
)
def test_what_is_not_set_right_is_named_within_seconds(
    reached, local, tmp_path, monkeypatch, name, value, told
):
    store = remote_copy(local, tmp_path / "north", "wrong/north")
    monkeypatch.setenv(name, value)
    begun = time.monotonic()
    with pytest.raises(StoreError, match=told), store.write():
        pass
    assert time.monotonic() - begun < 10


def test_a_bucket_that_is_not_there_is_told(reached, local):
    site = night.open_description(local)
    with pytest.raises(StoreError, match="there is no such bucket"):
        SiteStore("s3://no-such-bucket/x", site.axis, site.id).read()


def test_a_value_is_traced_and_a_delivery_made_from_the_bucket(reached, local, tmp_path):
    far = tmp_path / "north"
    remote_copy(local, far, "traced/north")
    night.store_night(far, NOW)
    near = ask(local, "T1", 10, "10T10:00")
    traced = ask(far, "T1", 10, "10T10:00")
    assert traced.pop("state")["commit"] != near.pop("state")["commit"]
    for found in (near, traced):  # the copy lies elsewhere
        found["file"].pop("full_path")
    assert traced == near
    request = Request(pictures=False, spreadsheets=False)
    deliver_site(far, request)
    (package,) = far.rglob("datapackage.json")
    named = {entry["path"] for entry in json.loads(package.read_text())["resources"]}
    assert named
    assert all((package.parent / path).is_file() for path in named)


def test_a_recalibration_is_shown_done_compared_and_undone(reached, local, tmp_path):
    near, far = tmp_path / "near" / "north", tmp_path / "far" / "north"
    shutil.copytree(local, near)
    store = remote_copy(local, far, "redone/north")
    night.store_night(far, NOW)
    first = store.read()
    for folder in (near, far):
        path = folder / "calibrations.toml"
        text = path.read_text()
        assert text.count("slope = 0.119") == 1
        path.write_text(text.replace("slope = 0.119", "slope = 0.121"))
    shown = recalibrate_site(far, NOW, dry_run=True)
    assert not shown["done"]
    assert store.read().commit_id == first.commit_id
    done = [recalibrate_site(folder, NOW, dry_run=False) for folder in (near, far)]
    assert done[1]["tubes"] == done[0]["tubes"] == shown["tubes"]
    assert done[1]["tubes"]
    same_bits(night.site_store(night.open_description(near)).read(), store.read())
    told = site_comparison(far, first.commit_id, "now")
    assert told["outcome"] == "done"
    assert undo_site(far, NOW, dry_run=False)["restored"] == first.commit_id
    undone = store.read()
    key = "water/cleaned_water_content"
    assert undone.array(key)[:].tobytes() == first.array(key)[:].tobytes()
    assert len(site_history(far)["states"]) == 3


@pytest.mark.parametrize("pieces", [35, 130])  # in the intake, in the tables
def test_a_server_that_falls_silent_in_the_night_is_given_up(
    reached, local, tmp_path, monkeypatch, pieces
):
    monkeypatch.setattr(object_store, "_ANSWER_WITHIN_S", 0.5)
    monkeypatch.setattr(object_store, "_LOOK_EVERY_S", 0.1)
    far = tmp_path / "north"
    store = remote_copy(local, far, f"mute{pieces}/north")
    with relay(reached) as way:
        monkeypatch.setenv("AWS_ENDPOINT_URL", way.address)
        way.mute_after = pieces
        begun = time.monotonic()
        with pytest.raises(LostStoreError, match="fell silent in the middle of the work"):
            parts.store(far, NOW)
        assert way.mute.is_set()
        assert time.monotonic() - begun < 30
    monkeypatch.setenv("AWS_ENDPOINT_URL", reached)
    monkeypatch.setenv("PERCOLOG_STATE", str(tmp_path / "another machine"))
    assert parts.store(far, NOW)["ledger"] == parts.store(local, NOW)["ledger"]
    same_bits(night.site_store(night.open_description(local)).read(), store.read())


def test_thinning_forgets_states_and_lists_them(reached, local, tmp_path):
    far = tmp_path / "north"
    store = remote_copy(local, far, "thinned/north")
    for number in (1, 2, 3):
        with store.write() as writer:
            writer.set_attributes({"number": number})
            writer.commit(f"night {number}", {"night": number})
    site = night.open_description(far)
    keep = site.keep.model_copy(update={"nights": 1, "monthly": False})
    account = thin_site(site.model_copy(update={"keep": keep}), store)
    assert len(account["thinned"]) == 2
    fresh = SiteStore(store.address, store.axis, store.site)
    assert fresh.read().attributes["number"] == 3
    assert [row["commit"] for row in fresh.thinned()] == account["thinned"]
    assert not {row["commit"] for row in fresh.history()} & set(account["thinned"])
    assert account["bytes_after"] is None  # room is freed a day later: nothing to measure yet


def test_a_frozen_server_is_told_within_seconds(reached, local, monkeypatch):
    site = night.open_description(local)
    with socket.create_server(("127.0.0.1", 0)) as silent:  # takes calls, says nothing
        port = silent.getsockname()[1]
        monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{port}")
        begun = time.monotonic()
        with pytest.raises(StoreError, match=r"nothing answers.*set AWS_ENDPOINT_URL"):
            SiteStore(f"s3://{BUCKET}/x", site.axis, site.id).read()
    assert time.monotonic() - begun < 10


@pytest.mark.parametrize(
    "address", ["s3://", "s3://bucket", "s3://key:secret@bucket/x", "s3://bucket/x?key=secret"]
)
def test_an_address_holds_a_bucket_and_a_prefix_and_no_secret(make_site, address):
    folder = make_site({"site.toml": [("[site]\n", f'[site]\nstore = "{address}"\n')]})
    with pytest.raises(SiteError, match="s3://bucket/prefix") as told:
        night.open_description(folder)
    assert "secret" not in str(told.value)
