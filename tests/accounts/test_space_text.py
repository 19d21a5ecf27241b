"""What ``percolog space`` prints of means that few tubes make."""

from pipeline.accounts.space_account import space_text

MEAN = {"group": "foot", "day": "2025-04-10", "mean": 0.288, "measured": 1}
COUNTS = {"standing": 1, "members": 1}


def test_the_mean_of_one_tube_has_a_dash_for_its_interval():
    cell = {
        "layer": "",
        "depth_cm": 60.0,
        "unit": "m3 m-3",
        "stands": None,
        "stands_with_offset": None,
        "record": {"independent_dates": None},
        "tubes_needed": {"tubes": None},
        "means": [
            {**MEAN, **COUNTS, "lower": None, "upper": None},
            {**MEAN, **COUNTS, "lower": 0.262, "upper": 0.333},
        ],
    }
    lines = space_text({"site": "hill", "cells": [cell], "unsound": []}).splitlines()
    told = [line.split("0.288")[1].split() for line in lines if "0.288" in line]
    assert told == [["-", "1/1", "-"], ["0.262", "to", "0.333", "1/1", "-"]]
