"""Books of hand rounds; expected values by hand."""

import numpy as np
import pytest

from pipeline.errors import ReaderError
from pipeline.ingest.rounds import read_rounds
from pipeline.site.layout import Layout

MARCH_1 = 1_709_251_200  # 2024-03-01 00:00
WHEN = {"base": "dateTime", "format": "dd.MM.yyyy H:mm"}
KEYS = [
    {"name": "time", "role": "stamp", "datatype": WHEN},
    {"name": "tube", "role": "key", "datatype": {"base": "string"}},
    {"name": "direction", "role": "key"},
    {"name": "reader", "role": "key", "datatype": {"base": "string"}},
]  # fmt: skip
BY_ROW = [*KEYS, {"name": "depth_cm", "role": "key"}, {"name": "value", "role": "value"}]


def read(text, columns=KEYS, rounds=None, **schema):
    layout = Layout.model_validate(
        {
            "id": "book",
            "dialect": {"delimiter": ";"},
            "tableSchema": {
                "columns": columns,
                "othersDatatype": {"decimalChar": ","},
                **schema,
            },
            "rounds": rounds or {},
        }
    )
    parsed = read_rounds(text.encode(), layout, "book.csv")
    assert parsed.rows_close()
    assert parsed.tables == ()
    return parsed


def listed(parsed):
    """Return the readings as rows (line, tube, reader, direction, depth, value)."""
    r = parsed.rounds
    columns = (r.line, r.tube, r.reader, r.direction_deg, r.depth_m, r.value)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def test_a_column_a_depth():
    text = (
        "time;tube;direction;reader;10;20 cm;37,5;remark\n"
        "01.03.2024 9:00;T1;1;Ada;21,5;22;30;dry top\n"
        "01.03.2024 9:02;T1;2;Ada;20,5;;31;\n"
        "01.03.2024 9:04;T1;240;Ada;;;;lost\n"
    )
    parsed = read(text)
    assert listed(parsed) == [
        (2, "T1", "Ada", 0.0, 0.1, 21.5),
        (2, "T1", "Ada", 0.0, 0.2, 22.0),
        (2, "T1", "Ada", 0.0, 0.375, 30.0),
        (3, "T1", "Ada", 120.0, 0.1, 20.5),
        (3, "T1", "Ada", 120.0, 0.375, 31.0),
    ]
    assert parsed.rounds.stamp_s.tolist() == [MARCH_1 + 32400] * 3 + [MARCH_1 + 32520] * 2
    assert (parsed.nulls, parsed.rows_with_values, parsed.rows_without_values) == (4, 2, 2)
    assert parsed.values_read == 5


def test_depths_named_by_the_layout():
    columns = [*KEYS, {"name": "15 cm", "titles": "upper"}, {"name": "45", "titles": "lower"}]
    text = "time;tube;direction;reader;upper;lower\n01.03.2024 9:00;T1;;;20;30\n"
    parsed = read(text, columns)
    assert parsed.rounds.depth_m.tolist() == [0.15, 0.45]
    assert np.isnan(parsed.rounds.direction_deg).all()
    assert parsed.rounds.reader.tolist() == ["", ""]


def test_a_value_a_row():
    text = (
        "time;tube;direction;reader;depth_cm;value\n"
        "01.03.2024 9:00;T1;0;Ada;10;21.5\n"
        "01.03.2024 9:00;T1;0;Ada;10;21.7\n"
        "01.03.2024 9:01;T2;360°;Bo;20 cm;22\n"
    )
    parsed = read(text, BY_ROW)
    assert listed(parsed) == [
        (2, "T1", "Ada", 0.0, 0.1, 21.5),
        (3, "T1", "Ada", 0.0, 0.1, 21.7),
        (4, "T2", "Bo", 0.0, 0.2, 22.0),
    ]


def test_what_cannot_be_told_is_set_aside_with_its_reason():
    text = (
        "time;tube;direction;reader;depth_cm;value\n"
        "01.03.2024 9:00;;0;Ada;10;1\n"
        "01.03.2024 9:00;T1;up;Ada;10;2\n"
        "01.03.2024 9:00;T1;0;Ada;deep;3\n"
        "31.02.2024 9:00;T1;0;Ada;10;4\n"
        "01.03.2024 9:00;T1;0;Ada;10;wet\n"
        "01.03.2024 9:00;T1;361;Ada;10;6\n"
        "01.03.2024 9:00;T1;0;Ada;10\n"
        "01.03.2024 9:00;T1;0;Ada;10;8\n"
    )
    parsed = read(text, BY_ROW)
    assert listed(parsed) == [(9, "T1", "Ada", 0.0, 0.1, 8.0)]
    # one reason, one entry: rows without a usable depth or direction, and the word "wet"
    assert {(r.reason, r.rows, r.values) for r in parsed.rejects} == {
        ("no_name", 1, 1),
        ("not_a_number", 3, 3),
        ("bad_stamp", 1, 1),
        ("not_a_number", 0, 1),
        ("wrong_field_count", 1, 0),
    }
    assert parsed.values_read == 7


def test_directions_in_words_of_the_book():
    rounds = {"directions": {"road": 90, "hedge": 270}}
    text = (
        "time;tube;direction;reader;10\n01.03.2024 9:00;T1;hedge;;5\n01.03.2024 9:00;T1;1;;6\n"
    )
    assert read(text, rounds=rounds).rounds.direction_deg.tolist() == [270.0, 1.0]


@pytest.mark.parametrize(
    ("text", "columns", "message"),
    [
        ("time;tube;direction;reader;note\n", KEYS, "no channel"),
        ("time;10\n", KEYS[:1], "no column named 'tube'"),
        ("time;tube;value\n", [*KEYS[:2], BY_ROW[-1]], "no column named 'depth_cm'"),
        ("time;tube;x\n", [*KEYS[:2], {"name": "top", "titles": "x"}], "channel 'top'"),
    ],
)
def test_a_layout_that_makes_no_book_is_explained(text, columns, message):
    with pytest.raises(ReaderError, match=message):
        read(text, columns)


def test_sentinels_and_nulls_hold_in_books_too():
    text = "time;tube;direction;reader;10;20\n01.03.2024 9:00;T1;;;-9;-\n"
    parsed = read(text, null=["-"], sentinels=[-9])
    assert (len(parsed.rounds.value), parsed.nulls) == (0, 2)


@pytest.mark.parametrize("name", ["é" * 150, "a" + "é" * 150, "世" * 90, "aa" + "😀" * 60])
def test_a_name_too_long_is_cut_between_characters(name):
    parsed = read(f"time;tube;direction;reader;10\n01.03.2024 9:00;T1;;{name};2\n")
    (reader,) = parsed.rounds.reader
    assert name.startswith(reader)
    assert 197 <= len(reader.encode()) <= 200
