"""What a notebook is told runs: examples in docstrings, blocks of Python on the pages."""

import doctest
import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import pytest

import pipeline.calibrate
import pipeline.derive
import pipeline.qc

DOCS = Path(__file__).parents[1] / "docs"
MODULES = [
    f"{package.__name__}.{module.name}"
    for package in (pipeline.calibrate, pipeline.derive, pipeline.qc)
    for module in pkgutil.iter_modules(package.__path__)
]
ROW = re.compile(r"^\| `(pipeline\.[a-z_.]+)` \| (.*) \|$", re.MULTILINE)
TOLD = [
    (module, name)
    for module, names in ROW.findall((DOCS / "notebook.md").read_text("utf-8"))
    for name in re.findall(r"`(\w+)`", names)
]
BLOCKS = [
    pytest.param(block, id=f"{page.stem}-{number}")
    for page in sorted(DOCS.glob("*.md"))
    for number, block in enumerate(
        re.findall(r"^```python\n(.*?)^```", page.read_text("utf-8"), re.DOTALL | re.MULTILINE)
    )
    if "site." not in block  # that of a site with a store: the night of the demo takes minutes
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_a_module(name):
    module = importlib.import_module(name)
    assert doctest.testmod(module, verbose=False).failed == 0


@pytest.mark.parametrize(("module", "name"), TOLD)
def test_a_function_for_a_notebook_says_shapes_and_units_and_shows_how(module, name):
    text = inspect.getdoc(getattr(importlib.import_module(module), name))
    for part in ("Parameters\n-", "Returns\n-", "Examples\n-", ">>> ", f" {name}"):
        assert part in text, part
    assert "[" in text.partition("Parameters")[2].partition("Returns")[0]  # a unit


def test_the_page_lists_every_function_for_arrays():
    """Those that take or give a DataArray and no site, by module."""
    listed = {f"{module}.{name}" for module, name in TOLD}
    assert len(listed) == len(TOLD)
    for module in {module for module, _ in TOLD}:
        for name, function in vars(importlib.import_module(module)).items():
            own = inspect.isfunction(function) and function.__module__ == module
            if not own or name.startswith("_") or name in INNER:
                continue
            told = str(inspect.signature(function))
            if "DataArray" in told or "Amount" in told:
                assert f"{module}.{name}" in listed


# Of use to other functions alone.
INNER = {
    *("apply_curve", "of_tubes", "in_soil", "sharing_of", "storage_step", "layer_spans"),
    *(
        "over_time",
        "in_one_chunk",
        "as_flag",
        "times_of",
        "describe_tests",
        "describe_quality",
    ),
}


@pytest.mark.parametrize("block", BLOCKS)
def test_a_block_of_a_page_runs_as_it_stands(block):
    exec(compile(block, "page", "exec"), {})


def test_there_are_blocks():
    assert len(BLOCKS) >= 2
    assert len(TOLD) > 40
