"""Space from a state of the store: tables, files and what is told of them."""

import json
from datetime import timedelta

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from bare_site import START, make_site, make_tube, make_wire
from PIL import Image

from pipeline.accounts import space_account
from pipeline.axis import DAY_S
from pipeline.console import document
from pipeline.derive.field_days import STORAGE, STORAGE_ERROR, WATER, WATER_ERROR
from pipeline.errors import StoreError
from pipeline.products.space import (
    MEANS,
    RANKS,
    SCHEMAS,
    STABILITY,
    TABLES,
    groups,
    space_inputs,
    space_step,
)
from pipeline.products.space_files import draw_space, write_space
from pipeline.site.models import Derive, Layer
from pipeline.store.opened import Opened

ORIGIN_S = int(START.timestamp())
DEPTHS_M = (0.1, 0.3)
TUBES = {"A": "ridge", "B": "ridge", "C": "foot", "H": "foot"}
PLACES = np.array([-0.04, -0.01, 0.05])  # of the logged tubes
DAYS = 90


class State:
    """The daily values of three logged tubes, and weekly hand rounds of a fourth."""

    def __init__(self, site, rounds=True, seed=1):
        random = np.random.default_rng(seed)
        level = 0.25 + 0.05 * np.sin(np.arange(DAYS) / 9)
        theta = level[:, np.newaxis] + PLACES + 0.003 * random.standard_normal((DAYS, 3))
        water = np.stack([theta, theta + 0.02], axis=2).astype(np.float32)
        storage = (300 * (theta + 0.0066))[:, :, np.newaxis].astype(np.float32)
        self.axis, self.days, self.attributes = site.axis, DAYS, {}
        # As a store may hold them: in the order in which they were first seen.
        self.labels = {"tube": ["C", "A", "B"], "depth": list(DEPTHS_M), "layer": ["top"]}
        order = [2, 0, 1]
        self._arrays = {
            f"daily/{WATER}": water[:, order],
            f"daily/{WATER_ERROR}": np.full_like(water, 0.005),
            f"daily/{STORAGE}": storage[:, order],
            f"daily/{STORAGE_ERROR}": np.full_like(storage, 1.5),
        }
        self._tables = {}
        if rounds:
            self._tables["rounds"] = _table(_rounds(level))

    def holds(self, key):
        return key in self._arrays or key.removeprefix("tables/") in self._tables

    def read(self, key, start, stop):
        return self._arrays[key][start:stop]

    def array(self, key):
        return np.frombuffer(repr(self._tables[key.removeprefix("tables/")]).encode(), "u1")

    def table(self, name):
        return self._tables.get(name)

    def keep(self, tables):
        self._tables |= tables
        return self


def _table(frame):
    import pyarrow as pa

    return pa.Table.from_pandas(frame, preserve_index=False)


def _rounds(level):
    """Return weekly readings of tube H: 0.03 wetter than the level of the logged tubes."""
    days = np.arange(3, DAYS, 7)
    rows = [
        {
            "time_s": ORIGIN_S + int(day) * DAY_S + 36_000,
            "tube": "H",
            "reader": "Ada",
            "direction_deg": 0.0,
            "depth_m": depth,
            "quantity": "water_content",
            "value": level[day] + 0.03 + (0.02 if depth > 0.2 else 0.0),
        }
        for day in days
        for depth in DEPTHS_M
    ]
    return pd.DataFrame(rows)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    tubes = tuple(
        make_tube(
            name,
            group=group,
            latitude=50.0 + 2e-4 * number,
            longitude=10.0 + 1e-4 * number,
            elevation_m=300.0 - number,
        )
        for number, (name, group) in enumerate(TUBES.items())
    )
    return make_site(
        tubes=tubes,
        wiring=tuple(make_wire(t, d) for t in "ABC" for d in DEPTHS_M),
        derive=Derive(layers=(Layer(name="top", top_m=0.0, bottom_m=0.3),)),
        output=tmp_path_factory.mktemp("out"),
    )


@pytest.fixture(scope="module")
def tables(site):
    return space_step(State(site), site, np.ones((4, DAYS), bool))


def test_tables_have_their_columns_and_a_fixed_order(site, tables):
    assert {name: table.schema for name, table in tables.items()} == SCHEMAS
    again = space_step(State(site), site, np.zeros((4, DAYS), bool))
    assert all(again[name].equals(tables[name]) for name in TABLES)


def test_the_site_mean_holds_logged_and_hand_read_tubes(tables):
    means = tables[MEANS].to_pandas()
    top = means[(means["quantity"] == "storage") & (means["group"] == "")]
    assert len(top) == DAYS
    assert (top["members"] == 4).all()
    assert sorted(top["measured"].value_counts().to_dict().items()) == [(3, 77), (4, 13)]
    # by hand: places -0.04, -0.01, 0.05 and 0.03 average 0.0075, whoever was measured
    day = np.arange(DAYS)
    upper = means[(means["depth_m"] == 0.1) & (means["group"] == "")]
    level = 0.25 + 0.05 * np.sin(day / 9) + 0.0075
    np.testing.assert_allclose(upper["mean"], level, rtol=0, atol=0.006)
    assert abs((upper["mean"] - level).mean()) < 0.0015
    assert (upper["lower"] < level).all()
    assert (upper["upper"] > level).all()


def test_groups_have_means_of_their_own(site, tables):
    assert groups(site) == {"": list("ABCH"), "ridge": ["A", "B"], "foot": ["C", "H"]}
    means = tables[MEANS].to_pandas()
    at = means[means["depth_m"] == 0.1].groupby("group")["mean"].mean()
    # by hand: ridge (-0.04 - 0.01) / 2, foot (0.05 + 0.03) / 2
    assert at["foot"] - at["ridge"] == pytest.approx(0.065, abs=0.002)


def test_the_tube_nearest_to_the_mean_is_named(tables):
    stability = tables[STABILITY].to_pandas()
    upper = stability[stability["depth_m"] == 0.1].set_index("tube")
    assert upper.index.tolist() == list("ABCH")
    assert upper["direct"].to_dict() == {"A": False, "B": True, "C": False, "H": False}
    # by hand: -0.01 less the mean of all places, 0.0075
    assert upper.loc["B", "offset"] == pytest.approx(-0.0175, abs=0.002)
    assert upper.loc["H", "days"] == 13
    assert np.isnan(upper.loc["H", "direct_share"])


def test_months_have_rank_correlations(tables):
    ranks = tables[RANKS].to_pandas()
    pairs = ranks[ranks["depth_m"] == 0.1]
    assert (pairs["first_month"] < pairs["second_month"]).all()
    assert pairs["tubes"].max() == 4
    assert (pairs["rank_correlation"] == 1).all()  # places never change by design


def test_the_tables_depend_on_rounds_and_description(site):
    with_rounds, without = State(site), State(site, rounds=False)
    assert space_inputs(with_rounds, site) == space_inputs(State(site), site)
    assert space_inputs(with_rounds, site) != space_inputs(without, site)
    other = site.model_copy(update={"title": "Another"})
    assert space_inputs(with_rounds, site) != space_inputs(with_rounds, other)


def test_a_state_without_days_gives_empty_tables(site):
    state = State(site, rounds=False)
    state.days = 0
    found = space_step(state, site, np.zeros((4, 0), bool))
    assert {name: table.num_rows for name, table in found.items()} == dict.fromkeys(TABLES, 0)
    assert write_space(site, state.keep(found)) == []


def test_a_depth_described_no_more_makes_no_row(site, tables):
    """A tube that sits deeper would be brought to it along the line between its sensors."""
    deeper = [t.model_copy(update={"set_in_m": 0.1 * (t.tube == "A")}) for t in site.tubes]
    site = site.model_copy(update={"tubes": tuple(deeper)})
    plain, state = State(site), State(site)
    state.labels["depth"].append(0.25)
    for key, array in state._arrays.items():
        if array.shape[2] == len(DEPTHS_M):
            state._arrays[key] = np.pad(
                array, ((0, 0), (0, 0), (0, 1)), constant_values=np.nan
            )
    days = np.ones((3, DAYS), dtype=bool)
    found, expected = (space_step(each, site, days) for each in (state, plain))
    for name in TABLES:
        assert found[name].num_rows
        assert found[name].equals(expected[name])


def test_files_and_pictures_are_written(site, tables):
    state = State(site).keep(tables)
    paths = write_space(site, state)
    assert [path.name for path in paths] == [f"{site.id}_{name}.csv" for name in TABLES]
    means = pd.read_csv(paths[TABLES.index(MEANS)])
    assert len(means) == tables[MEANS].num_rows
    assert set(means["unit"]) == {"m3 m-3", "mm"}
    assert means["day begins [UTC]"][0] == START.strftime("%Y-%m-%dT%H:%M:%SZ")
    drawn = draw_space(site, state, (0, state.days), None, site.output)
    assert {path.parent for path in drawn} == {site.output}
    assert [p.name for p in drawn] == [
        "site_map.png",
        "site_section.png",
        "site_stability.png",
    ]
    for path in drawn:
        image = Image.open(path)
        assert image.format == "PNG"
        assert len(np.unique(np.asarray(image.convert("L")))) > 20


def put_in_place(monkeypatch, site, state):
    """Let accounts be of this state."""
    opened = Opened(site, store=None, snapshot=state)
    monkeypatch.setattr(space_account, "open_state", lambda folder, load: opened)


def test_the_account_says_who_stands_and_how_surely(site, tables, monkeypatch):
    state = State(site).keep(tables)
    state.commit_id = "ABC"
    put_in_place(monkeypatch, site, state)
    account = space_account.space_account(site.folder)
    assert [cell["depth_cm"] for cell in account["cells"]] == [10.0, 30.0, None]
    upper = account["cells"][0]
    assert upper["stands"]["tube"] == "B"
    assert upper["record"]["days"] == DAYS
    assert [(m["group"], m["measured"], m["members"]) for m in upper["means"]] == [
        ("", 3, 4),
        ("ridge", 2, 2),
        ("foot", 1, 2),
    ]
    assert upper["means"][0]["day"] == str(np.datetime64(START.date()) + DAYS - 1)
    # by hand: t(3) = 3.1824 (printed in every table of t), n = (t s / d)^2
    spread = upper["tubes_needed"]["spread"]
    assert upper["tubes_needed"]["tubes"] == np.ceil((3.182446 * spread / 0.02) ** 2)
    assert json.loads(document(account))["cells"][2]["layer"] == "top"
    assert account["unsound"] == []
    monkeypatch.setattr(
        space_account,
        "verdict_rows",
        lambda site, state: [
            {"tube": "B", "verdict": "use with care"},
            {"tube": "nobody", "verdict": "do not use"},
        ],
    )
    account = space_account.space_account(site.folder)
    assert account["unsound"] == [{"tube": "B", "verdict": "use with care"}]
    text = space_account.space_text(account)
    assert "B: use with care; before it stands for the site," in text
    assert "which tube stands for the site" in text
    assert "3/4" in text


def test_tubes_taken_out_are_not_counted_among_those_that_stand(site, tables, monkeypatch):
    out = site.tubes[-1].model_copy(update={"removed": START + timedelta(days=DAYS - 1)})
    now = site.model_copy(update={"tubes": (*site.tubes[:-1], out)})
    state = State(now).keep(tables)
    state.commit_id = "ABC"
    put_in_place(monkeypatch, now, state)
    account = space_account.space_account(site.folder)
    means = account["cells"][0]["means"]
    assert [(m["group"], m["measured"], m["standing"], m["members"]) for m in means] == [
        ("", 3, 3, 4),
        ("ridge", 2, 2, 2),
        ("foot", 1, 1, 2),
    ]
    text = space_account.space_text(account)
    assert "3/3" in text
    assert "3/4" not in text
    assert "taken out keep their places in the mean" in text


def test_an_account_of_too_short_a_record_says_so(site, monkeypatch):
    put_in_place(monkeypatch, site, State(site))
    with pytest.raises(StoreError, match="expected ten days or more"):
        space_account.space_account(site.folder)


def test_an_account_of_one_tube_says_that_there_is_none_to_compare_it_with(site, monkeypatch):
    alone = State(site)
    row = {name: [None] for name in SCHEMAS[MEANS].names} | {"day_s": [0], "members": [1]}
    alone._tables[MEANS] = pa.table(row, schema=SCHEMAS[MEANS])
    put_in_place(monkeypatch, site, alone)
    with pytest.raises(StoreError, match="expected two tubes or more"):
        space_account.space_account(site.folder)
