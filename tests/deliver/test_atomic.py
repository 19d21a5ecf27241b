"""A file is the old one or the new one, never half of either."""

import os
import stat

import pytest

from pipeline.deliver.atomic import replacing


def test_new_file_appears_only_at_the_end(tmp_path):
    path = tmp_path / "new" / "out.nc"
    with replacing(path) as temporary:
        temporary.write_text("new")
        assert not path.exists()
        assert temporary.parent == path.parent
        assert list(path.parent.glob("*.nc")) == []  # nobody lists it by mistake
    assert path.read_text() == "new"
    assert os.listdir(path.parent) == ["out.nc"]


def test_finished_file_can_be_read_by_others(tmp_path):
    with replacing(tmp_path / "out.nc") as temporary:
        temporary.write_text("x")
    assert stat.S_IMODE((tmp_path / "out.nc").stat().st_mode) == 0o644


def test_failure_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "out.nc"
    path.write_text("old")

    def fail_half_way():
        with replacing(path) as temporary:
            temporary.write_text("half")
            raise RuntimeError("disk on fire")

    with pytest.raises(RuntimeError, match="disk on fire"):
        fail_half_way()
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["out.nc"]


def test_interrupt_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "out.nc"
    path.write_text("old")
    with pytest.raises(KeyboardInterrupt), replacing(path):
        raise KeyboardInterrupt
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["out.nc"]


def test_reader_of_the_old_file_keeps_it(tmp_path):
    path = tmp_path / "out.nc"
    path.write_text("old")
    with path.open() as reader:
        with replacing(path) as temporary:
            temporary.write_text("new")
        assert reader.read() == "old"
    assert path.read_text() == "new"


def test_file_and_folder_are_flushed_before_and_after_it_takes_its_place(
    tmp_path, monkeypatch
):
    path = tmp_path / "out.nc"
    seen = []
    really = os.fsync

    def spy(handle):
        kind = "folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file"
        seen.append((kind, path.exists()))
        really(handle)

    monkeypatch.setattr(os, "fsync", spy)
    with replacing(path) as temporary:
        temporary.write_text("new")
    assert seen == [("file", False), ("folder", True)]
