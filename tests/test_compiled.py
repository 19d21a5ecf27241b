"""Compiled code must not outlive its source, nor move what a user compiles."""

import os
import re
import subprocess
import sys
from pathlib import Path

import numba
import pytest

from pipeline import compiled

PACKAGE = Path(compiled.__file__).parent


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Return a package in place of ours: a kernel, what it imports, and a bystander."""
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "__init__.py").write_text("")
    (tmp_path / "inner" / "numbers.py").write_text("from pipeline.deep import (\n  ONE,\n)\n")
    (tmp_path / "deep.py").write_text("ONE = 1\n")
    (tmp_path / "plain.py").write_text("from pipeline.kernels import f\n")
    (tmp_path / "kernels.py").write_text(
        "from pipeline.inner import numbers\n@kernel\ndef f(x):\n    return x + numbers.ONE\n"
    )
    monkeypatch.setattr(compiled, "_PACKAGE", tmp_path)
    return tmp_path


@pytest.mark.parametrize("changed", ["kernels.py", "inner/numbers.py", "deep.py"])
def test_another_source_of_what_a_kernel_rests_on_gives_another_folder(package, changed):
    before = compiled.source_hash("pipeline.kernels")
    assert compiled.source_hash("pipeline.kernels") == before
    with (package / changed).open("a") as stream:
        stream.write("TWO = 2\n")
    assert compiled.source_hash("pipeline.kernels") != before


def test_what_a_kernel_does_not_import_does_not_matter(package):
    before = compiled.source_hash("pipeline.kernels")
    (package / "plain.py").write_text("WORDS = 2\n")
    assert compiled.source_hash("pipeline.kernels") == before


def test_imports_of_kernels_stand_at_the_beginning_of_a_line():
    """Only those are seen by the hash."""
    hidden = [
        path.name
        for path in PACKAGE.rglob("*.py")
        if "@kernel" in (text := path.read_text(encoding="utf-8"))
        and re.search(r"^([ \t]+from pipeline|[ \t]*import pipeline)", text, re.MULTILINE)
    ]
    assert hidden == []


def test_a_function_from_elsewhere_is_compiled_and_not_kept():
    assert compiled._folder("elsewhere") is None


def test_a_kernel_is_compiled_into_its_folder_and_settings_stay(tmp_path, monkeypatch):
    monkeypatch.setattr(compiled, "_folder", lambda module: str(tmp_path))
    before = numba.config.CACHE_DIR

    @compiled.kernel
    def twice(x):
        return 2 * x

    assert twice(21) == 42
    assert numba.config.CACHE_DIR == before
    assert list(tmp_path.rglob("*.nbi"))


def test_without_a_folder_to_write_in_a_kernel_still_works(monkeypatch):
    monkeypatch.setattr(compiled, "_folder", lambda module: None)

    @compiled.kernel(inline="always")
    def thrice(x):
        return 3 * x

    assert thrice(14) == 42


@pytest.fixture
def pair(tmp_path, monkeypatch):
    """Return a kernel, and one that calls it with two constants and with what it is given."""
    monkeypatch.setattr(compiled, "_folder", lambda module: str(tmp_path))

    @compiled.kernel
    def add(x, step):
        return x + step

    @compiled.kernel
    def walk(x, step):
        return add(add(add(x, 1), 2), step)

    return add, walk


def test_a_kernel_within_another_is_compiled_once_and_without_a_way_in_for_python(pair):
    add, walk = pair
    assert walk(10, 4) == 17
    assert [str(s) for s in add.inner.overloads] == ["(int64, int64)"]
    (result,) = add.inner.overloads.values()
    symbols = result.library.get_llvm_str()
    assert result.fndesc.mangled_name in symbols
    assert result.fndesc.llvm_cpython_wrapper_name not in symbols
    assert result.fndesc.llvm_cfunc_wrapper_name not in symbols
    assert not add.overloads  # nothing for Python until it calls


def test_python_may_call_what_a_kernel_called_before(pair):
    """Its own version: one without a way in must never be taken for it."""
    add, walk = pair
    assert walk(10, 4) == 17
    assert add(10, 4) == 14
    (result,) = add.overloads.values()
    assert result.fndesc.llvm_cpython_wrapper_name in result.library.get_llvm_str()


AGAIN = """
from pathlib import Path
from pipeline import compiled
compiled._PACKAGE = Path({folder!r})
import kept
print(kept.walk(10, 4), kept.add(10, 4), sum(kept.walk.stats.cache_hits.values()),
      sum(kept.add.stats.cache_hits.values()), sum(kept.add.inner.stats.cache_hits.values()))
print(kept.other(10), sum(kept.add.inner.stats.cache_hits.values()))
"""


def test_both_forms_of_a_kernel_are_kept_apart_for_the_next_process(tmp_path):
    """``other`` is new to the second process, which finds the inner form it needs on disk."""
    (tmp_path / "kept.py").write_text(
        "from pipeline import compiled\n"
        "compiled._folder = lambda module: str(compiled._PACKAGE)\n"
        "kernel = compiled.kernel\n"
        "@kernel\ndef add(x, step):\n    return x + step\n"
        "@kernel\ndef walk(x, step):\n    return add(add(x, 3), step)\n"
        "@kernel\ndef other(x):\n    return add(x, 5)\n"
    )
    first = AGAIN.format(folder=str(tmp_path)).replace("print(kept.other", "#")
    told = [
        subprocess.run(
            [sys.executable, "-c", script],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{PACKAGE.parent}"},
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()
        for script in (first, AGAIN.format(folder=str(tmp_path)))
    ]
    assert told == [["17", "14", "0", "0", "0"], ["17", "14", "1", "1", "0", "15", "1"]]


def test_every_compiled_function_goes_through_kernel():
    """A bare njit would be cached under the stamp of its own file alone."""
    bare = [
        path.name
        for path in PACKAGE.rglob("*.py")
        if path.name != "compiled.py"
        and re.search(r"@(numba\.)?(n?jit|vectorize|guvectorize)\b", path.read_text())
    ]
    assert bare == []
