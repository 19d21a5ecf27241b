"""The files in the repository are those the generator makes, to the byte."""

import hashlib

import pytest


def digest(content):
    return hashlib.sha256(content).hexdigest()


@pytest.mark.slow
def test_the_generator_makes_the_files_again(data_folder, tmp_path, monkeypatch, capsys):
    import make_demo

    monkeypatch.setattr("sys.argv", ["make_demo.py", "--into", str(tmp_path)])
    make_demo.main()
    assert "15 files" in capsys.readouterr().out
    made = {
        path.relative_to(tmp_path).as_posix(): digest(path.read_bytes())
        for path in tmp_path.rglob("*")
        if path.is_file()
    }
    kept = {name: digest((data_folder / name).read_bytes()) for name in made}
    assert made == kept
    in_raw = {path.relative_to(data_folder).as_posix() for path in data_folder.glob("raw/*/*")}
    assert in_raw == {name for name in made if name.startswith("raw/")}


def test_the_data_folder_stays_small(data_folder):
    files = [p for p in data_folder.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    assert len(files) > 15
    assert sum(path.stat().st_size for path in files) < 5_000_000
