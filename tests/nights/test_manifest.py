"""The list of delivered files: what a night that failed had removed is told by the next."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.errors import PercologError
from pipeline.nights.manifest import Manifest, require_own_output


def stopped(*_, **__):
    raise KeyboardInterrupt


@pytest.fixture
def site(tmp_path):
    return SimpleNamespace(id="hill", output=tmp_path)


@pytest.fixture
def file(site):
    """Return a file that a night has written and entered under the name of its period."""
    path = site.output / "netcdf" / "hill_2023.nc"
    path.parent.mkdir()
    path.write_bytes(b"readings")
    Manifest(site).note("2023", [path], state=[1])
    return path


def test_what_a_night_removed_before_it_failed_is_told_once_by_the_next(site, file):
    Manifest(site).note("2023", [], state=[2])
    assert not file.exists()
    assert Manifest(site).take_removed() == [file]
    assert Manifest(site).take_removed() == []


def test_what_a_night_was_stopped_from_removing_goes_with_the_next(site, file, monkeypatch):
    manifest = Manifest(site)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", stopped)
        with pytest.raises(KeyboardInterrupt):
            manifest.keep_only(["2024"])
    assert file.exists()
    assert Manifest(site).take_removed() == [file]
    assert not file.exists()


def test_a_file_that_is_written_again_before_it_was_told_of_stays_and_is_not_told(site, file):
    Manifest(site).note("2023", [], state=[2])
    file.write_bytes(b"readings that came later")
    manifest = Manifest(site)
    manifest.note("2023", [file], state=[3])
    assert manifest.take_removed() == []
    assert file.exists()


def test_nothing_outside_the_output_is_removed(site, file):
    outside = site.output.parent / "kept.nc"
    outside.write_bytes(b"not ours")
    Manifest(site).note("2024", [outside], state=[1])
    Manifest(site).keep_only(["2023"])
    assert outside.exists()
    assert Manifest(site).take_removed() == []


def test_the_output_of_another_site_is_refused_before_anything_is_removed(site, file):
    require_own_output(site)
    require_own_output(SimpleNamespace(id="vale", output=site.output / "new"))
    with pytest.raises(PercologError, match=r"expected the list of site 'vale', found that"):
        require_own_output(SimpleNamespace(id="vale", output=site.output))
    assert Manifest(site).is_up_to_date("2023", [1])
    assert file.exists()


def test_a_list_of_an_earlier_version_tells_no_owner_and_is_taken_over(site, file):
    (file.parent / "delivered.json").write_text('{"2023": {"files": ["hill_2023.nc"]}}')
    require_own_output(site)
    manifest = Manifest(site)
    manifest.note("2023", [file], state=[2])
    assert Manifest(site).is_up_to_date("2023", [2])


def test_an_output_that_cannot_be_read_stops_no_storing(site):
    (site.output / "netcdf").write_text("a file in the folder's place")
    require_own_output(site)


@pytest.mark.parametrize("content", ["[]", "null", '{"2023": []}', '{"2023": {}}', "7"])
def test_a_list_of_another_form_is_one_that_was_lost(site, file, content):
    (file.parent / "delivered.json").write_text(content)
    require_own_output(site)
    manifest = Manifest(site)
    assert not manifest.is_up_to_date("2023", [1])
    manifest.keep_only([])
    manifest.note("2023", [file], state=[1])
    assert Manifest(site).is_up_to_date("2023", [1])
