"""Compiled code must not outlive its source.

numba stores compiled code under the stamp of the file a function is in. What the function
calls or reads from another file is compiled into it but not watched, so a function that
decides a number may use nothing of another module of ours: after an update it would go on with
the old one. Covered are the stages that compute; a parser may share tables across its files.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
STAGES = ("calibrate", "qc", "derive")
MODULES = sorted(p for s in STAGES for p in (ROOT / "pipeline" / s).rglob("*.py"))


def imported_from_us(tree):
    """Return the names a module takes from other modules of ours."""
    return {
        (alias.asname or alias.name).split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pipeline")
        for alias in node.names
    }


def is_compiled(node):
    """Tell whether a function is decorated with numba's ``njit``."""
    return isinstance(node, ast.FunctionDef) and any(
        "njit" in ast.unparse(decorator) for decorator in node.decorator_list
    )


def compiled_functions(tree):
    return [node for node in ast.walk(tree) if is_compiled(node)]


def names_in_body(function):
    return {
        node.id
        for statement in function.body
        for node in ast.walk(statement)
        if isinstance(node, ast.Name)
    }


def borrowed(tree):
    """Return function and borrowed names of every compiled function that borrows."""
    ours = imported_from_us(tree)
    found = {f.name: names_in_body(f) & ours for f in compiled_functions(tree)}
    return {name: names for name, names in found.items() if names}


@pytest.mark.parametrize(
    "path",
    [p for p in MODULES if "njit" in p.read_text(encoding="utf-8")],
    ids=lambda p: f"{p.parent.name}.{p.stem}",
)
def test_compiled_functions_use_nothing_of_other_modules(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert compiled_functions(tree)
    assert borrowed(tree) == {}


def test_the_check_finds_what_it_looks_for():
    tree = ast.parse(
        "from pipeline.a import b\n@njit(cache=True)\ndef f(x: b):\n    return b(x)\n"
        "@njit\ndef g(x: b):\n    return x\n"
    )
    assert borrowed(tree) == {"f": {"b"}}
