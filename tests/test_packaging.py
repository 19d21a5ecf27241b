"""What is handed on as a package: all the repository holds, with the mark of types."""

import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PACKAGES = ("pipeline", "flows")
HANDED_ON = PROJECT["tool"]["setuptools"]["package-data"]["*"]
# What goes in without being named: https://setuptools.pypa.io (Controlling files).
BY_ITSELF = {*PACKAGES, "pyproject.toml", "README.md", "LICENSE", "MANIFEST.in"}


def ignored() -> list[str]:
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    return [line.strip("/") for line in lines] + [".git"]


def named(*commands: str) -> set[str]:
    lines = (ROOT / "MANIFEST.in").read_text(encoding="utf-8").splitlines()
    return {name for line in lines if line.startswith(commands) for name in line.split()[1:]}


def test_a_source_archive_holds_what_the_repository_does():
    held = named("graft", "include") | BY_ITSELF
    there = [
        path.name
        for path in ROOT.iterdir()
        if not any(fnmatch(path.name, pattern) for pattern in ignored())
    ]
    assert sorted(set(there) - held) == []
    assert sorted(name for name in held if not (ROOT / name).exists()) == []


@pytest.mark.parametrize("package", PACKAGES)
def test_the_packages_tell_that_they_have_types(package):
    """PEP 561: without the mark a user's type checker ignores every signature."""
    assert "py.typed" in HANDED_ON
    assert (ROOT / package / "py.typed").is_file()


def test_every_folder_of_the_packages_is_one():
    """Only folders with an ``__init__.py`` get into a wheel."""
    for package in PACKAGES:
        folders = {path.parent for path in (ROOT / package).rglob("*.py")}
        assert [f for f in folders if not (f / "__init__.py").exists()] == []


def test_every_file_that_is_no_code_goes_into_the_wheel():
    files = [
        path
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and path.suffix != ".py" and "__pycache__" not in path.parts
    ]
    assert {path.name for path in files} > {"py.typed"}
    assert [f for f in files if not any(fnmatch(f.name, kind) for kind in HANDED_ON)] == []
