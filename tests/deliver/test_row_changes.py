"""Tables of rows compared between two revisions: what moved, came and went."""

import pandas as pd
import pytest

from pipeline.deliver.row_changes import compare_rows

DAYS = pd.to_datetime(["2023-03-06", "2023-03-07", "2023-03-08"], utc=True)
MEANS = pd.DataFrame(
    {
        "quantity": "water",
        "depth": [0.1, 0.1, None],
        "layer": [None, None, "0-30 cm"],
        "group": ["", "", "north"],
        "time": DAYS,
        "unit": ["m3 m-3", "m3 m-3", "mm"],
        "mean": [0.2, 0.21, 60.0],
        "tubes_measured": [4, 4, 2],
    }
)
CHECKS = pd.DataFrame(
    {
        "tube_id": ["T1", "T1"],
        "depth": [0.1, 0.1],
        "time": DAYS[:2],
        "kind": "reference",
        "error": [0.01, 0.02],
        "verdict": ["within", "drifted"],
    }
)


@pytest.fixture
def compare(tmp_path):
    def told(old, new):
        for name, rows in (("old", old), ("new", new)):
            rows.to_parquet(tmp_path / f"{name}.parquet")
        paths = (tmp_path / f"{name}.parquet" for name in ("old", "new"))
        return [str(change) for change in compare_rows("rows", *paths)]

    return told


def test_equal_tables_differ_in_nothing(compare):
    assert compare(MEANS, MEANS) == []
    assert compare(CHECKS, CHECKS) == []


def test_numbers_that_moved_are_told_by_group_and_place(compare):
    new = MEANS.assign(mean=[0.2, 0.22, 63.0])
    assert compare(MEANS, new) == [
        "rows mean, group all, 10 cm: 1 changed, mean +0.01, largest +0.01; "
        "2023-03-07T00:00Z to 2023-03-07T00:00Z",
        "rows mean, group north, layer 0-30 cm: 1 changed, mean +3, largest +3; "
        "2023-03-08T00:00Z to 2023-03-08T00:00Z",
    ]


def test_rows_that_came_and_went_and_words_are_counted(compare):
    new = CHECKS.assign(verdict=["drifted", "drifted"], time=[DAYS[0], DAYS[2]])
    assert compare(CHECKS, new) == [
        "rows row, tube T1, 10 cm: 1 new, 1 gone; 2023-03-07T00:00Z to 2023-03-08T00:00Z",
        "rows verdict, tube T1, 10 cm: 1 changed; 2023-03-06T00:00Z to 2023-03-06T00:00Z",
    ]


def test_a_value_that_is_new_or_gone_is_told_as_such(compare):
    new = CHECKS.assign(error=[None, 0.02])
    assert compare(CHECKS, new.astype({"error": float})) == [
        "rows error, tube T1, 10 cm: 1 gone; 2023-03-06T00:00Z to 2023-03-06T00:00Z"
    ]


def test_rows_of_one_name_are_told_apart_by_their_order(compare):
    classes = pd.DataFrame({"tube_id": ["T1", "T1"], "depth": 0.1, "conductivity": [1.0, 3.0]})
    moved = classes.assign(conductivity=[1.0, 4.0])
    assert compare(classes, moved) == [
        "rows conductivity, tube T1, 10 cm: 1 changed, mean +1, largest +1"
    ]


def test_classes_of_water_content_are_held_against_the_same_class(compare):
    old = pd.DataFrame(
        {
            "tube_id": "T1",
            "depth": 0.1,
            "soil_water_content": [0.2051, 0.2149, 0.2251],
            "conductivity": [1.0, 2.0, 4.0],
            "nights": [5, 6, 7],
        }
    )
    drier = pd.DataFrame(
        {
            "tube_id": "T1",
            "depth": 0.1,
            "soil_water_content": 0.195,
            "conductivity": 0.5,
            "nights": 4,
        },
        index=[0],
    )
    new = pd.concat([drier, old.assign(conductivity=[1.0, 2.5, 4.0])], ignore_index=True)
    assert compare(old, new) == [
        "rows conductivity, tube T1, 10 cm: 1 changed, mean +0.5, largest +0.5",
        "rows row, tube T1, 10 cm: 1 new",
    ]
