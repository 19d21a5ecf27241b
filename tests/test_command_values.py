"""Values of options and arguments that are hardly meant are answered by what was."""

import pytest
import typer

from pipeline.accounts import check_and_ledger
from pipeline.commands.shared import edges_cm, instant
from pipeline.errors import PercologError, SiteError
from pipeline.site.load import load_site


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("0,0.1,0.4,1", "found '0,0.1,0.4,1'; expected edges in cm.*metres write 0,10,40,100"),
        ("0;10;40", "expected edges in cm with commas between them: 0,10,40,100$"),
    ],
)
def test_edges_in_metres_make_no_layers_of_a_millimetre(text, told):
    with pytest.raises(typer.BadParameter, match=told):
        edges_cm(text, "--bounds")


def test_thin_layers_at_the_surface_may_be_meant():
    assert edges_cm("0,0.5,2,10", "--layers") == (0.0, 0.5, 2.0, 10.0)
    assert edges_cm("", "--layers") == ()


def test_an_instant_in_another_order_is_answered():
    with pytest.raises(typer.BadParameter, match="Did you mean '2025-05-10T12:00'"):
        instant("10.05.2025 12:00")


def test_the_file_in_place_of_its_folder_is_answered(make_site):
    folder = make_site()
    with pytest.raises(SiteError, match="found a file; expected a site's folder") as caught:
        load_site(folder / "site.toml")
    assert caught.value.problems[0].advice == f"Name the folder it lies in: {folder}"


def test_a_raw_file_named_without_its_folder_is_answered(tmp_path, monkeypatch):
    rows = [{"path": path} for path in ("bus/a.log", "logger/b.csv")]
    monkeypatch.setattr(check_and_ledger, "ledger_report", lambda folder: {"files": rows})
    with pytest.raises(PercologError, match=r"with its folder, such as 'logger/b\.csv'$"):
        check_and_ledger.report_ledger(tmp_path, "b.csv")
