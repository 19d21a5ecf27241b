"""Tables as text; expected lines by hand."""

import numpy as np
import pandas as pd

from pipeline.deliver.tables import iso_times, write_table


def test_numbers_are_rounded_and_texts_cannot_be_formulas(tmp_path):
    table = pd.DataFrame(
        {
            "name": ["=1+1", "+2", "-3", "@x", "\tx", 'plain, "quoted"', None],
            "number": np.array([-0.5, 1 / 3, -1e-9, np.nan, 2.0, 1e7, 0.1], np.float32),
            "count": pd.array([1, None, 3, 4, 5, 6, 7], dtype="Int64"),
        }
    )
    path = write_table(table, tmp_path / "t.csv", {"number": 3})
    assert path.read_bytes().decode().split("\n") == [
        "name,number,count",
        "'=1+1,-0.5,1",
        "'+2,0.333,",
        "'-3,0.0,3",
        "'@x,,4",
        "'\tx,2.0,5",
        '"plain, ""quoted""",10000000.0,6',
        ",0.1,7",
        "",
    ]


def test_times_are_iso_8601_and_may_be_missing():
    seconds = pd.Series([0, None, 1_704_067_200], dtype="Int64")
    assert iso_times(seconds).tolist() == ["1970-01-01T00:00:00Z", "", "2024-01-01T00:00:00Z"]
