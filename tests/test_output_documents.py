"""The keys of what ``--json`` prints are those that docs/documents.md describes."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from rows_site import make_rows_site
from told_keys import PAGE, described
from traced_site import HEADER, put
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.derive.water_losses import drainage_and_uptake
from pipeline.nights import night
from pipeline.nights.documents import DeliveredNight, StoredNight
from pipeline.notebook import open_site
from pipeline.watch.nights import begin_night, end_night

NOW = datetime(2023, 4, 12, tzinfo=UTC)
ROOT = Path(__file__).parents[1]
SOURCES = "\n".join(
    path.read_text("utf-8")
    for part in ("pipeline", "flows")
    for path in (ROOT / part).rglob("*.py")
)
EVENT = ("--product", "event", "--event", "T1-20230311T0600Z")
DAY = ("--time", "2023-03-15T12:00Z")
CELL = ("--tube", "T1", "--depth", "10")
RUNS = {
    "check": [()], "ledger": [()], "tubes": [()], "events": [()], "limits": [()],
    "space": [()], "timeline": [()], "history": [()], "status": [()], "verify": [()],
    "thin": [("--dry-run",)], "recalibrate": [("--dry-run",)], "compare": [("1", "now")],
    "layers": [("--bounds", "0,10,40", "--output", "layers.nc")],
    "sniff": [()],
    "trace": [
        (*CELL, *DAY), (*CELL, *DAY, "--product", "daily_water_content"),
        ("--product", "rain", *DAY), ("--product", "site_mean", "--depth", "10", *DAY),
        ("--product", "hand_reading", "--tube", "T2", "--depth", "10", *DAY),
        ("--product", "storage", "--layer", "root-zone", "--tube", "T1", *DAY),
        EVENT, (*EVENT, "--depth", "10"), ("--product", "limits", *CELL),
    ],
}  # fmt: skip
HEAD = {("percolog",), ("command",), ("outcome",), ("exit_code",), ("sites",)}
# What is only told of sites with mistakes, and of what cannot be tried cheaply.
RARE = {
    "check": {"problems", "failures"},
    "ledger": {"files.repairs"},
    "events": {"pictures", "failures"},
    "history": {"failures"},
    "compare": {"failures"}, "limits": {"failures"}, "space": {"failures"},
    "recalibrate": {
        "failures", "delivered", "delivered_counts", "removed", "empty_periods", "rounds",
        "periods_without", "pictures", "restored", "put_back", "files", "edited",
        "hand_readings.",
    },
    "status": {"failures", "next"},
    "trace": {"alike.", "delivered", "failures"}, "tubes": {"failures"},
    "verify": {"problems", "failures", "repacked."},
}  # fmt: skip
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+(.*)")


def paths_in(value, above=()):
    """Yield the path of every key; lists count as what they hold."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield (*above, key)
            yield from paths_in(item, (*above, key))
    elif isinstance(value, list):
        for item in value:
            yield from paths_in(item, above)


def covers(told, path):
    """Tell whether a described path is a path that was printed."""
    if told[-1] == "**":
        return path[: len(told) - 1] == told[:-1]
    return len(told) == len(path) and all(
        a in (b, "*") for a, b in zip(told, path, strict=True)
    )


def undescribed(paths, told):
    return sorted(path for path in set(paths) if not any(covers(t, path) for t in told))


@pytest.fixture(scope="module")
def field(tmp_path_factory):
    """Return a site after two nights; the second met a damaged file and an edited law."""
    folder = make_rows_site(tmp_path_factory.mktemp("told") / "site")
    put(folder, "logger-a/damaged.csv", f"{HEADER}10.04.2023 12:00;3x0,5;401,0;0,0\nno row\n")
    edit_law(folder, "-0.19", "-0.2")
    book = folder / "data" / "rounds" / "march.csv"
    book.write_text(book.read_text("utf-8").replace(";30.0;", ";31.0;", 1), "utf-8")
    return folder


@pytest.fixture(scope="module")
def account(field):
    """Return what the second night told, without pictures."""
    begin_night(field, NOW)
    stored = night.store_night(field, NOW) | {"outcome": "attention"}
    return end_night(field, night.deliver_night(field, stored) | stored, NOW)


@pytest.fixture(scope="module")
def printed(field, account):
    """Return the documents of each command, after those nights."""
    documents = {}
    raw = sorted((field / "data").rglob("*.csv"))
    for command, each in RUNS.items():
        if command == "recalibrate":
            edit_law(field, "-0.2", "-0.21")
        for options in each:
            target = raw[0] if command == "sniff" else field
            more = [str(field / o) if o.endswith(".nc") else o for o in options]
            ran = CliRunner().invoke(app, [command, str(target), *more, "--json"])
            documents.setdefault(command, []).append(json.loads(ran.stdout))
    return documents


def edit_law(folder, old, new):
    path = folder / "calibrations.toml"
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def told_of(command):
    pages = described(PAGE)
    return pages[command] | {("site",), ("outcome",)}


@pytest.mark.parametrize("command", [name for name in RUNS if name != "sniff"])
def test_every_key_printed_is_described(printed, command):
    for document in printed[command]:
        assert document["sites"], document
        assert undescribed(paths_in(document["sites"]), told_of(command)) == []


def test_a_key_that_is_not_described_is_seen():
    assert undescribed([("sites_of",), ("commit",)], told_of("verify")) == [("sites_of",)]


def test_the_head_is_the_same_for_all(printed):
    for command, documents in printed.items():
        more = {("now",), ("dry_run",), ("proposal",)}
        for document in documents:
            top = {(key,) for key in document}
            assert HEAD <= top <= HEAD | more, command
    assert {c for c, found in printed.items() if "dry_run" in found[0]} == {
        "recalibrate",
        "thin",
    }
    below = [path for path in paths_in(printed["sniff"][0]) if path[0] == "proposal"]
    assert len(below) > 5
    assert undescribed(below, described(PAGE)["sniff"]) == []


def test_what_a_night_tells_is_described(field, account):
    told = described(PAGE)["ledger"]
    ledger = {("ledger", *path[1:]) for path in told if path[0] == "totals"}
    whole = StoredNight.__annotations__.keys() | DeliveredNight.__annotations__.keys()
    assert account.keys() >= whole
    assert undescribed(paths_in(account), told_of("night") | ledger) == []
    lines = (field / "out/alerts.jsonl").read_text("utf-8").splitlines()
    kept = json.loads((field / "out/netcdf/delivered.json").read_text("utf-8"))
    names = {key for line in lines for key in json.loads(line)}
    names |= {key for entry in kept.values() for key in entry} - {"rows"}
    assert len(names) > 10
    last = PAGE.partition("## Files beside the output")[2]
    assert names - set(re.findall(r"`([a-z_]+)`", last)) == set()


@pytest.mark.parametrize("command", [name for name in RUNS if name != "sniff"])
def test_every_key_described_is_printed(printed, command):
    seen = {path for document in printed[command] for path in paths_in(document["sites"])}
    whole = [path for path in described(PAGE)[command] if not path[-1].startswith("*")]
    lost = [told for told in whole if not any(covers(told, path) for path in seen)]
    rare = tuple(RARE.get(command, ["-"]))
    assert {name for name in map(".".join, lost) if not name.startswith(rare)} == set()


def test_every_key_described_exists(printed):
    """Also the rare ones: they were printed, or the code has their names."""
    seen = {path[-1] for each in printed.values() for d in each for path in paths_in(d)}
    told = described(PAGE)
    del told["Files beside the output"]
    names = {path[-1] for paths in told.values() for path in paths} - {"*", "**"}
    assert len(names) > 200
    lost = {n for n in names - seen if f'"{n}"' not in SOURCES and f" {n}: " not in SOURCES}
    assert lost == set()


def test_instants_are_utc_but_those_of_a_description(printed):
    """And but what a logger wrote itself, and names of rounds, which begin with an instant."""
    zones = {}
    for command, documents in printed.items():
        text = re.sub(r'"(as_logged|round)": "[^"]*"', "", json.dumps(documents))
        for found in re.findall(r'": "(\d{4}-\d\d-\d\dT[\d:.]+[^"]*)"', text):
            zones.setdefault(INSTANT.fullmatch(found)[1], set()).add(command)
    assert zones.keys() >= {"Z"}
    assert {c for zone in zones.keys() - {"Z"} for c in zones[zone]} <= {"check"}


@pytest.mark.parametrize("table", ["fronts", "drift_suspects"])
def test_columns_of_tables_that_no_document_has_are_described(field, account, table):
    page = (ROOT / "docs" / "notebook.md").read_text("utf-8")
    (row,) = re.findall(rf"^\| `{table}`.*$", page, re.MULTILINE)
    columns = set(open_site(field).table(table).columns)
    assert columns == set(re.findall(r"`([a-z_]+)`", row.split(" | ")[1]))


def test_what_the_page_does_with_a_site_runs_as_it_stands(field, account):
    """But for the folder and the month, which are those of the demo."""
    page = (ROOT / "docs" / "notebook.md").read_text("utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```", page, re.DOTALL | re.MULTILINE)
    mine = "".join(block for block in blocks if "site." in block)
    assert mine.count("open_site(") == 2
    assert '"2025-05"' in mine
    mine = mine.replace('"config"', repr(str(field))).replace('"2025-05"', '"2023-03"')
    names = {}
    exec(compile(mine, "page", "exec"), names)
    assert names["layers"].sizes["layer"] == 3
    states = [names[name].snapshot.commit_id for name in ("before", "site")]
    assert states[0] != states[1]  # the first night is not the newest


def test_a_notebook_finds_the_uptake_of_the_night_from_its_cubes(field, account):
    """Against the table that the night wrote, bit for bit."""
    site = open_site(field)
    tube = site.site.tube_by_id["T1"]
    found = drainage_and_uptake(
        site.water["cleaned_water_content"],
        site.water["sensor_depth"],
        tube.latitude,
        tube.longitude,
        site.readings["rain"].isel(station=0),
    )
    table = site.table("uptake").query("tube == 'T1'")
    assert len(table) > 70
    days = table["day_s"].to_numpy().astype("datetime64[s]").astype("datetime64[ns]")
    cells = {"day": ("row", days), "depth": ("row", table["depth_m"].to_numpy())}
    places = {name: xr.DataArray(values, dims=dim) for name, (dim, values) in cells.items()}
    mine = found.sel(tube="T1").sel(places)
    for name in ("uptake", "uptake_above", "night_drainage"):
        np.testing.assert_array_equal(mine[name], table[f"{name}_mm_d"])
        assert mine[name].notnull().any()


def test_a_quantity_of_space_is_of_a_depth_or_of_a_layer(printed):
    (site,) = printed["space"][0]["sites"]
    assert {row["layer"] for row in site["tubes"]} > {None}
    assert all((r["depth_m"] is None) != (r["layer"] is None) for r in site["tubes"])
    assert all(isinstance(row["days"], int) for row in site["tubes"])
