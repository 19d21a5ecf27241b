"""The examples in the docstrings of products run and give what they print."""

import doctest
import importlib
import pkgutil

import pytest

import pipeline.derive

MODULES = [f"pipeline.derive.{m.name}" for m in pkgutil.iter_modules(pipeline.derive.__path__)]
# Each product for a notebook shows how it is used.
WITH_EXAMPLE = {"layers", "limits", "limits_texture", "limits_water", "storage"}


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_a_module(name):
    module = importlib.import_module(name)
    result = doctest.testmod(module, verbose=False)
    assert result.failed == 0
    if name.rsplit(".", 1)[1] in WITH_EXAMPLE:
        assert result.attempted > 0
