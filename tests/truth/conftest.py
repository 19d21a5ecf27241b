"""One field of unseen truth, made once: half a year of loam with every kind of fault."""

import pytest
from truth_field import LOOKED_AT_SEEDS, make_field
from truth_score import run_steps

DAYS = 150


@pytest.fixture(scope="session")
def spoilt():
    return make_field(LOOKED_AT_SEEDS[0], ("loam",), days=DAYS)


@pytest.fixture(scope="session")
def clean():
    return make_field(LOOKED_AT_SEEDS[0], ("loam",), days=DAYS, faults=(), sound_tubes=3)


@pytest.fixture(scope="session")
def spoilt_result(spoilt):
    return run_steps(spoilt)


@pytest.fixture(scope="session")
def clean_result(clean):
    return run_steps(clean)
