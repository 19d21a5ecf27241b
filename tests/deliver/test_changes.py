"""Why a revision differs: dated rules are compared as they hold on each date."""

from pipeline.deliver.changes import reasons

MAY, JUNE = 1746057600, 1748736000  # 2025-05-01 and 2025-06-01


def told(old, new):
    """Return the reasons for dated rules of one tube."""
    before, after = ({"code": "1", "inputs": {}, "rules": {"T1": r}} for r in (old, new))
    return reasons(before, after)


def law(offset, probe="P1"):
    return {"soil": {"offset": offset, "slope": 0.12}, "probe": probe}


def test_files_written_otherwise_from_the_same_values_have_a_reason():
    before = {"code": "1", "inputs": {}, "rules": {}}
    line = "percolog writes files otherwise, though from the same values"
    assert reasons(before, {**before, "form": 2}) == [line]
    assert reasons({**before, "form": 2}, {**before, "form": 2}) == []


def test_a_law_that_holds_from_a_date_is_compared_with_the_one_before():
    old = {"calibrate": [[None, law(-0.19)]]}
    new = {"calibrate": [[None, law(-0.19)], [MAY, law(-0.18)]]}
    line = "calibrate from 2025-05-01T00:00Z: soil.offset: -0.19 became -0.18"
    assert told(old, new) == [f"tube T1: {line}"]
    back = "calibrate from 2025-05-01T00:00Z: soil.offset: -0.18 became -0.19"
    assert told(new, old) == [f"tube T1: {back}"]


def test_what_goes_on_over_a_later_date_is_told_once():
    old = {"calibrate": [[None, law(-0.19)], [JUNE, law(-0.19, "P2")]]}
    new = {"calibrate": [[None, law(-0.19)], [MAY, law(-0.18)], [JUNE, law(-0.18, "P2")]]}
    assert told(old, new) == [
        "tube T1: calibrate from 2025-05-01T00:00Z: soil.offset: -0.19 became -0.18"
    ]


def test_what_differs_otherwise_from_a_later_date_is_told_again():
    old = {"calibrate": [[None, law(-0.19)]]}
    new = {"calibrate": [[None, law(-0.18)], [MAY, law(-0.17)]]}
    assert told(old, new) == [
        "tube T1: calibrate: soil.offset: -0.19 became -0.18",
        "tube T1: calibrate from 2025-05-01T00:00Z: soil.offset: -0.19 became -0.17",
    ]


def test_a_tube_without_rules_before_has_them_from_nothing():
    assert told({}, {"calibrate": [[MAY, law(-0.19)]]}) == [
        "tube T1: calibrate from 2025-05-01T00:00Z: all: nothing became "
        "{'soil': {'offset': -0.19, 'slope': 0.12}, 'probe': 'P1'}"
    ]


def test_another_law_is_told_by_its_name_once_for_all_tubes_that_have_it():
    first = {"id": "topp", "version": 1, "form": "topp_1980", "standard_error": 0.02}
    then = {"id": "clay", "version": 2, "form": "linear", "coefficients": {"slope": 0.12}}
    rules = [
        {tube: {"calibrate": [[None, {"depths": {"0.3": {"soil": law}}}]]} for tube in names}
        for names, law in ((("T1", "T2"), first), (("T1", "T2"), then))
    ]
    same = {"code": "1", "form": 1, "inputs": {}}
    assert reasons({**same, "rules": rules[0]}, {**same, "rules": rules[1]}) == [
        "tubes T1, T2: calibrate: 30 cm soil: topp version 1 became clay version 2"
    ]
    edited = {
        "T1": {"calibrate": [[None, {"depths": {"0.3": {"soil": {**first, "form": "x"}}}}]]}
    }
    [line] = reasons({**same, "rules": {"T1": rules[0]["T1"]}}, {**same, "rules": edited})
    assert line == "tube T1: calibrate: 30 cm soil.form: topp_1980 became x"
