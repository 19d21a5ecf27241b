"""Raw files that grow from night to night are delivered as if they had come at once."""

import shutil
from pathlib import Path

import pytest
from delivered_site import FIELD, NOW, REQUEST, make_delivered

from pipeline.deliver.content import content_digest, file_digest
from pipeline.delivering.numbered import deliver_site
from pipeline.nights import night

# What is there after each night, as a share of each file's bytes; cuts fall within lines.
NIGHTS = (
    {"logger-a": 0.31, "bus": 1.0},
    {"logger-a": 0.305, "rounds": 0.8},  # a file cut short by a failing copy
    {"logger-a": 0.72, "rounds": 1.0},
    {"logger-a": 1.0},
)
LAW = ("slope = 0.119, offset = -0.19", "slope = 0.13, offset = -0.19")


def contents(home):
    """Return a digest of all that a revision says, by file, whenever it was written."""
    data = [p for p in Path(home).rglob("*") if p.suffix in (".nc", ".csv", ".parquet")]
    return {
        path.relative_to(home).as_posix(): content_digest(path)
        if path.suffix == ".nc"
        else file_digest(path)
        for path in data
    }


def edit(folder, old, new):
    laws = folder / "calibrations.toml"
    text = laws.read_text(encoding="utf-8")
    assert text.count(old) == 1
    laws.write_text(text.replace(old, new), encoding="utf-8")


def delivered(folder):
    return contents(deliver_site(folder, REQUEST)["revision_folder"])


def again(folder):
    """Run a night and deliver; return what the newest revision says."""
    night.store_night(folder, NOW)
    return delivered(folder)


@pytest.fixture(scope="module")
def at_once(tmp_path_factory):
    """Return the folder of a site whose files came in one night, and what was delivered."""
    folder = tmp_path_factory.mktemp("once") / "site"
    return folder, contents(make_delivered(folder))


def test_nights_a_new_law_and_taking_it_back_deliver_what_one_night_does(at_once, tmp_path):
    whole, expected = at_once
    folder = shutil.copytree(FIELD, tmp_path / "grown")
    sent = [p for p in (whole / "data").rglob("*") if p.is_file()]
    share: dict[str, float] = {}
    for brought in NIGHTS:
        share |= brought
        for path in sent:
            name = path.relative_to(whole / "data")
            data = path.read_bytes()
            cut = data[: int(len(data) * share.get(name.parts[0], 0.0))]
            if cut:
                target = folder / "data" / name
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(cut)
        night.store_night(folder, NOW)
    found = delivered(folder)
    assert {Path(name).suffix for name in expected} == {".nc", ".csv", ".parquet"}
    assert found == expected

    edit(folder, *LAW)
    changed = shutil.copytree(FIELD, tmp_path / "changed")
    shutil.copytree(whole / "data", changed / "data", dirs_exist_ok=True)
    edit(changed, *LAW)
    recalibrated = again(folder)
    assert recalibrated == again(changed)
    assert recalibrated != expected

    edit(folder, *reversed(LAW))
    assert again(folder) == expected
