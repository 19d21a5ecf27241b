"""Nights killed without warning at random instants; see `kill`."""

import os
import sys

import pytest
from kill import Killer
from kill_delivery import DeliveryKiller

# Few on a desk; integration sets 12; `make kills ROUNDS=500` by hand.
ROUNDS = int(os.environ.get("PERCOLOG_KILLS", "4"))


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
def test_a_killed_night_leaves_a_whole_state_and_is_made_good_by_the_next(tmp_path):
    outcome = Killer(tmp_path, seed=int.from_bytes(os.urandom(4), "big")).run(ROUNDS)
    print(outcome, file=sys.stderr)
    assert outcome.faults == []
    assert outcome.rounds == ROUNDS
    assert sum(outcome.states.values()) == ROUNDS


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
def test_a_killed_delivery_leaves_whole_revisions_alone(tmp_path):
    rounds = max(2, ROUNDS // 4)
    outcome = DeliveryKiller(tmp_path, seed=int.from_bytes(os.urandom(4), "big")).run(rounds)
    assert outcome.faults == []
    assert sum(outcome.states.values()) == outcome.rounds == rounds
