"""Two descriptions of one id never write to one store; one that was moved goes on."""

import platform
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from one_day import lay_out

from pipeline.errors import PercologError
from pipeline.history.revisions import recalibrate_site
from pipeline.nights import night

NOW = datetime(2023, 4, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return a site whose store lies outside its folder, after a night."""
    home = tmp_path_factory.mktemp("own")
    folder = lay_out(home / "hill")
    path = folder / "site.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[site]", f'[site]\nstore = "{home}/stored"', 1), "utf-8")
    night.store_night(folder, NOW)
    return folder


@pytest.fixture
def copied(made, tmp_path):
    """Return two descriptions that name one store, and the store."""
    store = tmp_path / "stored"
    shutil.copytree(made.parent, tmp_path, dirs_exist_ok=True)
    folder = tmp_path / "hill"
    path = folder / "site.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(f"{made.parent}/stored", str(store)), "utf-8")
    grow(folder)
    night.store_night(folder, NOW)
    second = Path(shutil.copytree(folder, tmp_path / "vale"))
    return folder, second


def grow(folder):
    path = folder / "data" / "logger-a" / "2023-03-10.csv"
    with path.open("a", encoding="utf-8") as file:
        file.write("11.03.2023 00:00;300;400;0,2\n")


def test_a_second_description_of_the_same_id_is_refused_while_the_first_is_there(copied):
    first, second = copied
    before = night.site_store(night.open_description(first)).read().commit_id
    told = f"found that of another with the id 'north-slope', in {first}; their readings"
    with pytest.raises(PercologError, match=told):
        night.store_night(second, NOW)
    with pytest.raises(PercologError, match=told):
        recalibrate_site(second, NOW, dry_run=True)
    assert night.site_store(night.open_description(first)).read().commit_id == before
    night.store_night(first, NOW)
    shutil.rmtree(first)  # it was moved
    assert night.store_night(second, NOW)["set_aside"] == []


def test_a_store_of_its_own_needs_no_other_id(copied, tmp_path):
    _, second = copied
    shutil.copytree(tmp_path / "stored", tmp_path / "own")
    path = second / "site.toml"
    path.write_text(path.read_text("utf-8").replace("/stored", "/own"), "utf-8")
    assert night.store_night(second, NOW)["set_aside"] == []


def test_one_folder_by_two_names_is_one(copied, tmp_path):
    first, _ = copied
    (tmp_path / "linked").symlink_to(first)
    assert night.store_night(tmp_path / "linked", NOW)["set_aside"] == []


def test_another_machine_is_told_until_something_is_stored(copied, monkeypatch):
    first, second = copied
    shutil.rmtree(first)
    monkeypatch.setattr(platform, "node", lambda: "elsewhere")
    (row,) = night.store_night(second, NOW)["set_aside"]
    assert row["found"].startswith(f"readings stored by the description in {first} on ")
    path = second / "data" / "logger-a" / "2023-03-12.csv"
    shutil.copyfile(path.with_name("2023-03-10.csv"), path)
    assert len(night.store_night(second, NOW)["set_aside"]) == 1
    assert night.store_night(second, NOW)["set_aside"] == []
