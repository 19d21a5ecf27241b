"""The settings of pictures, held while a test makes and inspects a figure."""

import pytest
from picture_site import build_site

from pipeline.report.style import drawing


@pytest.fixture
def site():
    return build_site()


@pytest.fixture
def style():
    with drawing():
        yield
