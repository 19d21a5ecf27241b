"""Cells as people and spreadsheets write them are answered by what was likely meant."""

import pytest

from pipeline.site.mistakes import BadValueError
from pipeline.site.values import parse_instant, parse_number


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("-", "Leave the cell empty"),
        ("n/a", "Leave the cell empty"),
        ("412,5", "Write a decimal point"),
        ("\N{MINUS SIGN}9.1", "Write the minus sign of the keyboard: -9.1."),
        ("48\N{DEGREE SIGN}30'", "Write degrees with decimals"),
        ("10 cm", "Write the number alone, 10;"),
        ("23.5%", "Write the number alone, 23.5;"),
        ("10-20", ""),
        ("deep", ""),
    ],
)
def test_a_number_is_told_as_it_should_be_written(text, advice):
    with pytest.raises(BadValueError) as caught:
        parse_number(text)
    assert caught.value.expected == "a number"
    assert caught.value.advice.startswith(advice)
    assert bool(caught.value.advice) == bool(advice)


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("10.03.2025", "Did you mean '2025-03-10'?"),
        ("10.03.2025 9:30", "Did you mean '2025-03-10T09:30'?"),
        ("25/03/2025", "Did you mean '2025-03-25'?"),
        ("03/25/2025 14:30:05", "Did you mean '2025-03-25T14:30:05'?"),
        (
            "10/03/2025",
            "Write '2025-03-10' if the day stands first, '2025-10-03' if the month does.",
        ),
        ("2025/3/10", "Did you mean '2025-03-10'?"),
        ("2025-03-10 9:30", "Did you mean '2025-03-10T09:30'?"),
        ("2025-03-10 09.30", "Did you mean '2025-03-10T09:30'?"),
        ("2025-03-10 2:30 PM", "Write hours from 00 to 23, as in 2024-03-01T14:30."),
        ("-", "Leave the cell empty where there is nothing to say."),
        ("2025-13-01", "Look at month, day and hour."),
        ("31.02.2025", "Look at month, day and hour."),
        ("1 March", ""),
    ],
)
def test_a_date_is_told_as_it_should_be_written(text, advice):
    with pytest.raises(BadValueError) as caught:
        parse_instant(text, 0)
    assert caught.value.advice == advice
