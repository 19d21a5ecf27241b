"""One verdict a tube, and a person's word over it."""

import numpy as np
import pytest

from pipeline.qc.findings import ACTIONS, Finding, Verdict, findings_table
from pipeline.qc.tube_verdicts import Decided, Seen, judge_tubes, refine_causes

SEEN = {"T1": Seen(days=300, storms=12, rounds=4, sensors=4, dry_m=(0.2,))}


def finding(kind="void or stone", depth=0.2, weight=Verdict.USE_WITH_CARE, **more):
    fixed = {"direction_deg": 120.0, "from_s": 0, "until_s": 1, "events": 3, "measure": -0.1}
    text = {"threshold": 0.02, "unit": "m3 m-3", "sentence": f"{kind} seen"}
    return Finding(tube="T1", kind=kind, depth_m=depth, weight=weight, **fixed, **text, **more)


def verdict_on(*findings, seen=None, decided=None):
    table = judge_tubes(["T1"], findings, seen or SEEN, decided or {})
    return table.iloc[0]


def test_a_tube_with_nothing_found_is_sound_and_says_how_much_was_seen():
    row = verdict_on()
    assert row["verdict"] == Verdict.SOUND
    assert "300 days" in row["reason"]


def test_a_tube_nobody_has_seen_is_not_called_sound():
    row = verdict_on(seen={"T1": Seen(days=5)})
    assert row["verdict"] == Verdict.USE_WITH_CARE
    assert "too little" in row["reason"]


def test_the_heaviest_finding_gives_verdict_and_action():
    row = verdict_on(finding("noise"), finding("bypass", np.nan, Verdict.DO_NOT_USE))
    assert row["verdict"] == Verdict.DO_NOT_USE
    assert row["reason"] == "bypass seen; and 1 more"
    assert row["action"] == ACTIONS["bypass"]


def test_a_note_of_a_visit_weighs_nothing():
    row = verdict_on(finding("rotation visit", weight=Verdict.SOUND))
    assert row["verdict"] == Verdict.SOUND


def test_voids_at_most_depths_spoil_a_tube():
    assert verdict_on(*[finding(depth=z) for z in (0.1, 0.2)])["verdict"] == 1
    assert verdict_on(*[finding(depth=z) for z in (0.1, 0.2, 0.3)])["verdict"] == 2


def test_a_person_overrules_and_the_finding_stays_told():
    person = Decided(Verdict.SOUND, "dug up and looked at", "A. L.")
    row = verdict_on(finding("bypass", weight=Verdict.DO_NOT_USE), decided={"T1": person})
    assert (row["verdict"], row["found"], row["decided_by"]) == (0, 2, "A. L.")
    assert "dug up" in row["reason"]
    assert "do not use" in row["reason"]


@pytest.mark.parametrize(
    ("findings", "seen", "kind"),
    [
        ([finding(), finding("void")], SEEN, "void"),
        ([finding()], SEEN, "stone"),
        ([finding(depth=0.3)], SEEN, "void or stone"),  # the logged sensor faces another side
        ([finding()], {"T1": Seen(days=300, storms=2, dry_m=(0.2,))}, "void or stone"),
        ([finding()], {}, "void or stone"),
    ],
)
def test_the_logged_sensor_tells_a_void_from_a_stone(findings, seen, kind):
    assert refine_causes(findings, seen)[0].kind == kind


def test_every_kind_has_its_action_and_the_table_its_types():
    table = findings_table([finding()])
    assert table["action"][0] == ACTIONS["void or stone"]
    assert findings_table([]).dtypes.equals(table.dtypes)


@pytest.mark.parametrize(
    ("seen", "told"),
    [
        (Seen(days=117, storms=1), "117 days, 1 quick storm"),
        (Seen(rounds=17), "17 rounds by hand in three directions"),
        (Seen(), "no day and no round by hand in three directions"),
    ],
)
def test_a_verdict_without_findings_tells_only_what_there_was_to_see(seen, told):
    (row,) = judge_tubes(["T1"], [], {"T1": seen}, {}).to_dict("records")
    assert row["reason"].endswith(f" {told}")
