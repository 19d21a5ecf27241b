"""Verdicts as people get them: the command's table and document, and the night's summary."""

import json
from dataclasses import asdict, replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import StoreError
from pipeline.nights.night import open_description, site_store
from pipeline.nights.summary import write_summary
from pipeline.products.neighbour_days import NEIGHBOUR_DAYS, daily_tests, neighbour_rows
from pipeline.products.tube_health import HEALTH, VERDICTS
from pipeline.products.verdicts import NOT_JUDGED, verdict_rows
from pipeline.qc.findings import Finding, Verdict, findings_table
from pipeline.qc.flags import TEST_BITS
from pipeline.qc.tube_verdicts import Seen, judge_tubes

LOW = Finding(
    tube="T1",
    kind="void or stone",
    depth_m=0.2,
    direction_deg=240.0,
    from_s=0,
    until_s=86_400,
    events=1,
    measure=-0.12,
    threshold=0.02,
    unit="m3 m-3",
    weight=Verdict.USE_WITH_CARE,
    sentence="at 20 cm the direction 240 degrees reads 8.0 %",
)


@pytest.fixture
def judged(make_site):
    """Return a site's folder whose store holds the verdict on its first tube."""
    folder = make_site()
    site = open_description(folder)
    verdicts = judge_tubes(["T1"], [LOW], {"T1": Seen(days=200, storms=9, rounds=1)}, {})
    whole = replace(LOW, kind="noise", depth_m=np.nan, direction_deg=np.nan, sentence="loud")
    found = findings_table([LOW, whole])
    with site_store(site).write() as writer:
        health = pa.Table.from_pandas(found, HEALTH, preserve_index=False)
        writer.put_table("tube_health", health)
        writer.put_table(
            "tube_verdicts", pa.Table.from_pandas(verdicts, VERDICTS, preserve_index=False)
        )
        writer.commit("judged", {})
    return folder


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_the_table_names_verdict_evidence_and_action(judged):
    found = run("tubes", judged)
    assert found.exit_code == 3
    assert "T1" in found.stdout
    assert "use with care" in found.stdout
    assert "void or stone: at 20 cm the direction 240 degrees reads 8.0 %" in found.stdout
    assert "noise: loud" in found.stdout
    assert "do: turn the probe" in found.stdout
    assert max(map(len, found.stdout.splitlines())) <= 100


def test_the_document_has_every_figure(judged):
    found = run("tubes", judged, "--tube", "T1", "--json")
    (site,) = json.loads(found.stdout)["sites"]
    (tube,) = site["tubes"]
    assert (tube["verdict"], tube["days"], tube["rounds"]) == ("use with care", 200, 1)
    evidence, whole = tube["evidence"]
    assert (whole["depth_cm"], whole["direction_deg"]) == (None, None)
    expected = {k: v for k, v in asdict(LOW).items() if k in ("kind", "events", "measure")}
    assert expected.items() <= evidence.items()
    assert evidence["depth_cm"] == 20.0
    assert evidence["until"] == "1970-01-02T00:00:00Z"


def test_before_the_first_night_one_is_asked_for(make_site):
    found = run("tubes", make_site())
    assert isinstance(found.exception, StoreError)
    assert "run percolog night" in str(found.exception)


def test_a_tube_the_site_does_not_have_is_wrong_usage(judged):
    found = run("tubes", judged, "--tube", "Z9")
    assert found.exit_code == 2
    assert "'Z9'" in found.output


def test_a_tube_without_a_verdict_says_so(judged):
    site = open_description(judged)
    rows = verdict_rows(site, site_store(site).read())
    assert {row["tube"] for row in rows} == {tube.tube for tube in site.tubes}
    assert all(row["reason"] == NOT_JUDGED for row in rows if row["tube"] != "T1")


def test_the_summary_tells_of_tubes_that_are_not_sound(judged, tmp_path):
    site = open_description(judged)
    rows = verdict_rows(site, site_store(site).read())
    keys = ("values_read", "stored", "duplicates", "superseded", "rejected", "rows_read")
    summary = {
        "title": "T",
        "site": site.id,
        "commit": "c",
        "message": "m",
        "ledger": dict.fromkeys((*keys, "files"), 0),
        "tubes": [],
        "verdicts": rows,
    }
    text = write_summary(tmp_path, summary)[1].read_text(encoding="utf-8")
    assert "Tubes that are not sound:\n- T1: use with care: at 20 cm" in text


def test_flagged_days_become_a_mask_over_the_days(field_site):
    state_rows = pd.DataFrame(
        {
            "tube": ["B"],
            "depth_m": [0.2],
            "day_s": [field_site.axis.origin_s + 3 * 86_400],
            "departure": np.float32([0.05]),
        }
    )

    class State:
        """A state of five days, two tubes and two depths, one value missing."""

        axis, days, labels = field_site.axis, 5, {"tube": ["A", "B"], "depth": [0.4, 0.2]}

        def read(self, key, first, stop):
            water = np.full((5, 2, 2), 0.2, dtype=np.float32)
            water[2, 0, 0] = np.nan
            return water[first:stop]

        def table(self, name):
            return pa.Table.from_pandas(state_rows, NEIGHBOUR_DAYS, preserve_index=False)

    tests = daily_tests(State(), 2, 5)
    expected = np.zeros((3, 2, 2), dtype=np.uint16)
    expected[0, 0, 0] = TEST_BITS["missing"]
    expected[1, 1, 1] = TEST_BITS["neighbour_tube"]
    assert (tests == expected).all()
    assert neighbour_rows(State(), 0, 3).empty
