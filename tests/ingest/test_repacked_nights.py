"""Nights over raw files that housekeeping packs, or a person unpacks, where they lie.

What a night makes of bytes may not go by how they are packed. So every array, with the file
and line of each reading, is held to one of a night over the file as it first was.
"""

import shutil
from datetime import UTC, datetime

import numpy as np
import pytest
from packing import pack, unpack
from traced_site import BUS

from pipeline.nights import night
from pipeline.store.cubes import SPECS

NOW = datetime(2023, 4, 1, tzinfo=UTC)
HEADER = "Time;mV_1;mV_2;rain\n;mV;mV;mm\n"
ROUNDS = (
    "time;tube;direction;10;30;50\n"
    "2023-03-10 09:02;T1;2;20.2;25.1;28.0\n"
    "2023-03-10 09:02;T1;2;20.2;25.1;28.0\n"  # read twice
)
NAMES = ("logger-a/day.csv", "bus/day.log", "rounds/day.csv")
# Patterns that mean packed files too, and no check of a clock, which looks at whole files.
WIDE = {
    "site.toml": [
        ("logger-a/*.csv", "logger-a/*"), ("bus/*.log", "bus/*"),
        ("rounds/*.csv", "rounds/*"),
    ],
    "visits.csv": [("2023-09-01T12:00,,logger-a,clock,,-40,s,slow,AK\n", "")],
}  # fmt: skip
NARROW = {"visits.csv": WIDE["visits.csv"]}


def rows(day, more_mv=0):
    return "".join(
        f"{day}.03.2023 {h:02}:{m:02};{300 + h + day + more_mv},5;{400 + m};0,2\n"
        for h in range(24)
        for m in (0, 15, 30, 45)
    )


TEXTS = dict(zip(NAMES, (HEADER + rows(10), BUS, ROUNDS), strict=True))


def put(folder, name, text):
    path = folder / "data" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="")
    return path


def run(folder):
    """Run a night, whose accounts must close; return how many files it read, what it told."""
    result = night.store_night(folder, NOW)
    assert result["ledger"]["open_files"] == []
    return result["raw_files"]["read"], [row["found"] for row in result["set_aside"]]


def state_of(folder, *without):
    """Return all arrays, tables of readings, and of the ledger what packing leaves alone."""
    snapshot = night.site_store(night.open_description(folder)).read()
    arrays = {key: snapshot.array(key)[:] for key in SPECS if snapshot.holds(key)}
    gone = ["modified_ns", "size", "sha256", "fingerprint", *without]
    tables = [snapshot.table(n).to_pandas() for n in ("superseded", "rounds")]
    return arrays, tables, snapshot.table("ledger").to_pandas().drop(columns=gone)


def assert_same(found, expected):
    assert found[0].keys() == expected[0].keys()
    for key, array in expected[0].items():
        np.testing.assert_array_equal(found[0][key], array, err_msg=key)
    for one, other in zip(found[1], expected[1], strict=True):
        assert one.equals(other)
    assert found[2].to_dict("records") == expected[2].to_dict("records")


def voltage(folder, more=""):
    snapshot = night.site_store(night.open_description(folder)).read()
    return snapshot.array(f"readings/voltage{more}")[:]


@pytest.fixture(scope="module")
def first(make_shared_site):
    """Return a site after a night over one file of each kind, made once and then copied."""
    folder = make_shared_site(WIDE)
    for name, text in TEXTS.items():
        put(folder, name, text)
    assert run(folder) == (3, [])
    return folder


@pytest.fixture
def field(first, tmp_path):
    return shutil.copytree(first, tmp_path / "field")


@pytest.mark.parametrize("packed_as", ["{name}.gz", "{name}.xz", "{name}.zip", "{stem}.zip"])
def test_files_packed_in_place_are_neither_read_twice_nor_lost(field, packed_as):
    expected = state_of(field)
    assert (expected[2]["stored"] > 0).all()
    for name in NAMES:
        path = field / "data" / name
        to = packed_as.format(name=path.name, stem=path.stem)
        pack(path, to)
    assert run(field) == (0, [])
    assert_same(state_of(field), expected)
    assert run(field) == (0, [])


def test_files_unpacked_in_place_go_on_and_only_new_lines_are_new(make_site):
    """As one file that grew under its first name."""
    folder, once = make_site(WIDE), make_site(WIDE)
    name = NAMES[0]
    packed = pack(put(folder, name, TEXTS[name]))
    assert run(folder) == (1, [])
    path = unpack(packed, "day.csv")
    assert run(folder) == (0, [])
    path.write_text(TEXTS[name] + rows(11), encoding="utf-8")
    assert run(folder) == (1, [])
    pack(put(once, name, TEXTS[name] + rows(11)))
    assert run(once) == (1, [])
    assert_same(state_of(folder), state_of(once))


def test_a_correction_after_unpacking_wins_over_what_the_packed_file_said(make_site):
    """Its path would sort behind that of the plain one, so that nothing would become of it."""
    folder = make_site(WIDE)
    packed = pack(put(folder, NAMES[0], TEXTS[NAMES[0]]))
    run(folder)
    before = voltage(folder)
    path = unpack(packed, "day.csv")
    run(folder)
    text = path.read_text()
    path.write_text(text.replace("310,5", "333,5"), encoding="utf-8")
    read, told = run(folder)
    assert (read, told) == (1, [])
    changed = voltage(folder) != before
    changed &= ~np.isnan(before)
    assert np.count_nonzero(changed) == text.count("310,5") == 4
    np.testing.assert_allclose(voltage(folder)[changed], 0.3335, rtol=1e-6)


def test_a_new_file_in_place_of_a_packed_one_takes_nothing_away(make_site):
    """As where a logger's file is packed at midnight and begun anew."""
    folder = make_site(WIDE)
    path = put(folder, NAMES[0], TEXTS[NAMES[0]])
    run(folder)
    before = voltage(folder)
    pack(path)
    assert run(folder) == (0, [])
    put(folder, NAMES[0], HEADER + rows(11))
    run(folder)
    after = voltage(folder)
    kept = ~np.isnan(before)
    np.testing.assert_array_equal(after[: len(before)][kept], before[kept])
    assert np.count_nonzero(~np.isnan(after)) == 2 * np.count_nonzero(kept)
    assert run(folder) == (0, [])


def test_a_file_packed_and_altered_is_another_file(field):
    """Both are accounted for; what it says otherwise goes by the order of paths."""
    before = voltage(field)
    path = put(field, NAMES[0], TEXTS[NAMES[0]].replace("310,5", "333,5"))
    pack(path)
    assert run(field)[0] == 1
    after = voltage(field)
    assert np.count_nonzero((after != before) & ~np.isnan(before)) == 4
    ledger = state_of(field)[2].set_index("path")
    assert ledger.loc["logger-a/day.csv.gz", "stored"] > 0
    snapshot = night.site_store(night.open_description(field)).read()
    superseded = snapshot.table("superseded").to_pandas()
    np.testing.assert_allclose(superseded["value"], 0.3105, rtol=1e-6)


def test_a_packed_file_beside_the_plain_one_is_a_copy(field):
    before = voltage(field)
    path = field / "data" / NAMES[0]
    pack(path)
    put(field, NAMES[0], TEXTS[NAMES[0]])
    assert run(field)[0] == 1
    np.testing.assert_array_equal(voltage(field), before)
    copies = state_of(field)[2].set_index("path").loc[[NAMES[0], f"{NAMES[0]}.gz"]]
    assert sorted(copies["stored"]) == [0, 288]
    assert sorted(copies["duplicates"]) == [0, 288]


@pytest.mark.parametrize("edits", [NARROW, WIDE])
def test_what_is_described_otherwise_is_read_again_from_the_packed_file(make_site, edits):
    """Whether a pattern means the packed file or not; else old readings stayed, too."""
    corrected = ("logger-a,mV_1,T1,10,voltage,mV,P1", "logger-a,mV_1,T2,30,voltage,mV,P1")
    folder, once = make_site(edits), make_site({**edits, "wiring.csv": [corrected]})
    for site in (folder, once):
        path = put(site, NAMES[0], TEXTS[NAMES[0]])
        run(site)
    pack(folder / "data" / NAMES[0])
    assert run(folder) == (0, [])
    wiring = folder / "wiring.csv"
    wiring.write_text(wiring.read_text().replace(*corrected))
    assert run(folder) == (1, [])
    assert path.exists()
    assert_same(state_of(folder), state_of(once))


def test_a_pattern_made_wider_has_nothing_read_again(make_site):
    folder = make_site(NARROW)
    path = put(folder, NAMES[0], TEXTS[NAMES[0]])
    put(folder, "logger-a/gone.csv", HEADER + rows(11)).touch()
    run(folder)
    (folder / "data/logger-a/gone.csv").unlink()
    expected = state_of(folder)
    pack(path)
    toml = folder / "site.toml"
    toml.write_text(toml.read_text().replace(*WIDE["site.toml"][0]))
    assert run(folder) == (0, [])
    assert_same(state_of(folder), expected)
