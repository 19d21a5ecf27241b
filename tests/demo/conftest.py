"""The generator beside the data, importable, and its soil water, computed once."""

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data"
sys.path.insert(0, str(DATA))


@pytest.fixture(scope="session")
def data_folder():
    return DATA


@pytest.fixture(scope="session")
def config_folder():
    return ROOT / "config"


@pytest.fixture(scope="session")
def weather():
    from demo_weather import make_weather

    return make_weather()


@pytest.fixture(scope="session")
def grounds(weather):
    from demo_field import make_grounds

    return {ground.place.tube: ground for ground in make_grounds(weather)}
