"""What is planted in the tubes of an unseen field is named, and sound tubes are left alone."""

import pytest
from truth_field import without_rain
from truth_health import NAMES_OF, confusion, health_of_field, missed

# What nights of the field name; drift is named where references or years tell of it.
NAMED = [kind for kind in NAMES_OF if kind != "drift"]


@pytest.fixture(scope="module", params=["rain logged", "no rain logged"])
def judged(request, spoilt, spoilt_result):
    field = spoilt if request.param == "rain logged" else without_rain(spoilt)
    return field, *health_of_field(field, spoilt_result)


def test_every_void_stone_and_bypass_with_three_telling_events_is_named(judged):
    field, health, _ = judged
    assert missed(field.roles, health) == []


@pytest.mark.parametrize("planted", NAMED)
def test_what_is_planted_is_named(judged, planted):
    field, health, _ = judged
    counts = confusion(field.roles, health)
    assert any(counts[planted, name] for name in NAMES_OF[planted])


def test_no_sound_tube_is_not_to_be_used(judged):
    field, health, verdicts = judged
    sound = {tube for tube, role in field.roles.items() if role in ("sound", "worn")}
    assert len(sound) >= 4
    assert not (verdicts["verdict"][verdicts["tube"].isin(sound)] == 2).any()
    assert set(confusion({t: "sound" for t in sound}, health)) == {("sound", "nothing")}


def test_the_odd_direction_is_the_one_that_faces_the_fault(judged):
    field, health, _ = judged
    turned = health[health["direction_deg"].notna()]
    assert set(turned["direction_deg"]) == {120.0}
    assert {field.roles[tube] for tube in turned["tube"]} == {"void", "stone"}
