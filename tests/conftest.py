"""The order of files, and an invented site right in every part, to be copied and spoilt."""

import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from dear_files import FIRST, TOGETHER

from pipeline.site.load import load_site
from pipeline.site.models import Site

TESTS = Path(__file__).parent
FIELD = TESTS / "site" / "field"

Edits = Mapping[str, Sequence[tuple[str, str]]]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files of `dear_files` first; within files, and else, leave the order."""
    ranks = {TESTS / name: rank for rank, name in enumerate(FIRST)}
    items.sort(key=lambda item: ranks.get(item.path, len(ranks)))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Hand out whole files, as ``--dist loadfile`` does, and the files together as one."""
    if config.getoption("dist") != "loadfile":
        return None
    from xdist.scheduler import LoadFileScheduling

    class Together(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = super()._split_scope(nodeid)
            return TOGETHER[0] if file.endswith(TOGETHER) else file

    return Together(config, log)


def write_site(
    folder: Path, edits: Edits | None = None, files: Mapping[str, str | None] | None = None
) -> Path:
    """Write the site into ``folder``, texts replaced and files changed or (None) left out."""
    shutil.copytree(FIELD, folder)
    (folder / "data").mkdir()
    for name, pairs in (edits or {}).items():
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in pairs:
            if text.count(old) != 1:
                raise ValueError(f"{name}: {old!r} occurs {text.count(old)} times, not once")
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    for name, content in (files or {}).items():
        (folder / name).unlink(missing_ok=True)
        if content is not None:
            (folder / name).write_text(content, encoding="utf-8")
    return folder


def _maker(parent: Path) -> Callable[..., Path]:
    made: list[Path] = []

    def make(
        edits: Edits | None = None, files: Mapping[str, str | None] | None = None
    ) -> Path:
        made.append(parent / f"site-{len(made)}")
        return write_site(made[-1], edits, files)

    return make


@pytest.fixture
def make_site(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that writes a site (see `write_site`) and returns its folder."""
    return _maker(tmp_path)


@pytest.fixture(scope="module")
def make_shared_site(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Return what `make_site` does for sites that all tests of a file read or copy."""
    return _maker(tmp_path_factory.mktemp("shared"))


@pytest.fixture
def field_site(make_site: Callable[..., Path]) -> Site:
    """Return the invented site, loaded."""
    return load_site(make_site())
