"""Compiled code must not outlive its source, nor move what a user compiles."""

import re
from pathlib import Path

import numba
import pytest

from pipeline import compiled

PACKAGE = Path(compiled.__file__).parent


@pytest.fixture
def package(tmp_path, monkeypatch):
    """Return a package of two files, one of which holds a kernel, in place of ours."""
    (tmp_path / "kernels.py").write_text("@kernel\ndef f(x):\n    return x + 1\n")
    (tmp_path / "plain.py").write_text("WORDS = 1\n")
    monkeypatch.setattr(compiled, "_PACKAGE", tmp_path)
    return tmp_path


def test_another_source_of_any_kernel_gives_another_folder(package):
    before = compiled.source_hash()
    assert compiled.source_hash() == before
    (package / "plain.py").write_text("WORDS = 2\n")
    assert compiled.source_hash() == before
    (package / "kernels.py").write_text("@kernel\ndef f(x):\n    return x + 2\n")
    assert compiled.source_hash() != before


def test_a_kernel_is_compiled_into_its_folder_and_settings_stay(tmp_path, monkeypatch):
    monkeypatch.setattr(compiled, "_folder", lambda: str(tmp_path))
    before = numba.config.CACHE_DIR

    @compiled.kernel
    def twice(x):
        return 2 * x

    assert twice(21) == 42
    assert numba.config.CACHE_DIR == before
    assert list(tmp_path.rglob("*.nbi"))


def test_without_a_folder_to_write_in_a_kernel_still_works(monkeypatch):
    monkeypatch.setattr(compiled, "_folder", lambda: None)

    @compiled.kernel(inline="always")
    def thrice(x):
        return 3 * x

    assert thrice(14) == 42


def test_every_compiled_function_goes_through_kernel():
    """A bare njit would be cached under the stamp of its own file alone."""
    bare = [
        path.name
        for path in PACKAGE.rglob("*.py")
        if path.name != "compiled.py"
        and re.search(r"@(numba\.)?(n?jit|vectorize|guvectorize)\b", path.read_text())
    ]
    assert bare == []
