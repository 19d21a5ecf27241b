"""Periods in which nothing was logged have no files, and lose those they had."""

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import xarray as xr
from delivered_site import FIELD

from pipeline.console import show_absent, show_night
from pipeline.deliver.content import content_digest
from pipeline.delivering.contents import Request
from pipeline.delivering.model_output import LayersError, layers_file
from pipeline.delivering.numbered import deliver_site
from pipeline.errors import PercologError
from pipeline.nights import night
from pipeline.nights.summary import write_summary
from pipeline.words import told_periods

NOW = datetime(2023, 8, 1, tzinfo=UTC)
APRIL = Request(period="2023-04", steps=("native",), pictures=False)
ROUND = "time;tube;direction;10;30;50\n2023-05-11 09:00;T1;1;20.1;25.2;28.0\n"
CUBES = ("water", "storage")
NOT_OURS = ("south_2023-06.nc", "north-slope_2023-07_daily.nc", "north-slope_2023-06-old.nc")
# Programs put the line of what they did before those that are there, or behind them.
EDITED = {
    "north-slope_2023-02.nc": "offset added by hand\n{}",
    "north-slope_2023-05.nc": "{}\noffset added by hand",
}
OF_TUBES, OF_WEATHER = ("", "_daily"), ("_weather", "_daily_weather")
MONTHLY = OF_TUBES + OF_WEATHER


def put(folder, *days, tubes=True, rain=True):
    """Write an export of whole days, each ``MM-DD``, of what is wanted."""
    rows = "".join(
        f"{day[3:]}.{day[:2]}.2023 {h:02d}:{m:02d};"
        f"{f'{300 + h},5;{400 + m}' if tubes else ';'};{'0,2' if rain else ''}\n"
        for day in days
        for h in range(1, 24)
        for m in (0, 15, 30, 45)
    )
    path = folder / "data" / "logger-a" / f"{days[0]}.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("Time;mV_1;mV_2;rain\n;mV;mV;mm\n" + rows, encoding="utf-8")


def run(folder):
    """Run a night up to its delivery; return what the delivery tells."""
    return night.deliver_night(folder, night.store_night(folder, NOW))


def unwire(folder, begin, end, quantities=("voltage", "rain")):
    """Leave the logger's channels out of the wiring for a time, so that its readings go."""
    path = folder / "wiring.csv"
    rows = []
    for row in path.read_text(encoding="utf-8").split("\n"):
        cells = row.split(",")
        if cells[0] == "logger-a" and cells[4] in quantities and cells[7] == "":
            rows.append(",".join([*cells[:8], begin]))
            cells[7] = end
        rows.append(",".join(cells))
    path.write_text("\n".join(rows), encoding="utf-8")


def digests(folder):
    """Return what each file says, by name, whatever the state it was made from."""
    return {path.name: content_digest(path) for path in (folder / "out/netcdf").glob("*.nc")}


def names(*months, ends=MONTHLY):
    return {f"north-slope_{month}{end}.nc" for month in months for end in ends}


@pytest.fixture(scope="module")
def gap(tmp_path_factory):
    """Return a site that logged in March and in June, and what its first night told."""
    folder = Path(shutil.copytree(FIELD, tmp_path_factory.mktemp("gap") / "site"))
    put(folder, "03-03", "03-05")
    put(folder, "06-10")
    return folder, run(folder)


@pytest.fixture
def copied(gap, tmp_path):
    return Path(shutil.copytree(gap[0], tmp_path / "site"))


def test_months_without_a_reading_have_no_files_and_are_named_in_one_line(
    gap, tmp_path, capsys
):
    folder, told = gap
    assert set(digests(folder)) == names("2023-03", "2023-06")
    assert told["empty_periods"] == ["2023-04", "2023-05"]
    assert told["removed"] == []
    show_absent(told)
    line = "no files  2023-04 to 2023-05: nothing was logged then"
    assert capsys.readouterr().err.split("\n") == [f"  {line}", ""]
    ledger = dict.fromkeys(
        ("values_read", "stored", "duplicates", "superseded", "rejected", "rows_read"), 0
    )
    summary = {"title": "", "site": "", "commit": "", "message": "", "tubes": [], **told}
    paths = write_summary(tmp_path, summary | {"ledger": {**ledger, "files": 0}})
    assert json.loads(paths[0].read_text())["empty_periods"] == ["2023-04", "2023-05"]
    assert "No files, since nothing was logged then: 2023-04 to 2023-05" in (
        paths[1].read_text().split("\n")
    )


def test_netcdf_files_and_tables_are_told_apart(copied, capsys):
    path = copied / "data" / "rounds" / "march.csv"
    path.parent.mkdir()
    path.write_text(ROUND.replace("05-11", "03-05"), encoding="utf-8")
    told = run(copied)
    # The rounds, and their comparison with the logger, which logged on that day.
    names = {Path(path).name for path in told["delivered"]}
    assert names == {"north-slope_rounds.nc", "north-slope_rounds_comparison.csv"}
    assert told["delivered_counts"] == {"netcdf": 1, "tables": 1}
    show_night({"site": "s", "outcome": "done", "summary_files": ["summary.json"], **told})
    assert "  delivered 1 NetCDF file, 1 table written now\n" in capsys.readouterr().err


def test_a_gap_inside_a_month_stays_in_its_file_as_missing(gap):
    with xr.open_dataset(gap[0] / "out/netcdf/north-slope_2023-03.nc") as file:
        water = file["soil_water_content"].sel(depth=0.1).isel(tube=0)
        found = water.notnull().resample(time="1D").sum().to_series()
    # By hand: 92 rows a day, logged at local 01:00 (00:00 UTC) and later.
    assert {str(day)[:10]: n for day, n in found.items() if n} == {
        "2023-03-03": 92,
        "2023-03-05": 92,
    }
    assert len(found) == 32  # with the hour before local midnight of the first


def test_nothing_is_written_again_and_empty_months_stay_named(copied):
    told = run(copied)
    assert told["delivered"] == []
    assert told["empty_periods"] == ["2023-04", "2023-05"]


def test_files_that_say_something_else_than_before_are_written_once_more(copied, monkeypatch):
    monkeypatch.setattr("pipeline.nights.period_states.FORM", 99)
    told = run(copied)
    assert {Path(path).name for path in told["delivered"]} == names("2023-03", "2023-06")
    assert run(copied)["delivered"] == []


@pytest.fixture(scope="module")
def april(gap, tmp_path_factory):
    """Return what nights told and files said when April came, and when its wires went."""
    folder = Path(shutil.copytree(gap[0], tmp_path_factory.mktemp("april") / "site"))
    put(folder, "04-20")
    came, with_april = run(folder), digests(folder)
    first = deliver_site(folder, APRIL)
    unwire(folder, "2023-04-01", "2023-05-01")
    went, without = run(folder), digests(folder)
    return came, with_april, went, without, first, deliver_site(folder, APRIL)


def test_readings_that_come_later_are_delivered_as_in_one_run(april, make_site):
    came, with_april, *_ = april
    assert {Path(path).name for path in came["delivered"]} >= names("2023-04")
    assert came["empty_periods"] == ["2023-05"]
    whole = make_site()
    put(whole, "03-03", "03-05")
    put(whole, "06-10")
    put(whole, "04-20")
    run(whole)
    assert with_april == digests(whole)
    assert set(with_april) == names("2023-03", "2023-04", "2023-06")


def test_files_whose_readings_all_go_are_removed_and_told_of(april):
    _, _, went, without, *_ = april
    assert {Path(path).name for path in went["removed"]} == names("2023-04")
    assert went["empty_periods"] == ["2023-04", "2023-05"]
    assert set(without) == names("2023-03", "2023-06")


def test_a_revision_tells_that_all_readings_of_its_days_went(april):
    *_, first, second = april
    assert (first["revision"], second["revision"], second["new"]) == (1, 2, True)
    assert any("92" in line and "water" in line for line in second["changes"])
    made = Path(second["revision_folder"])
    with xr.open_dataset(made / "netcdf/north-slope_2023-04.nc") as file:
        assert not np.isfinite(file["soil_water_content"]).any()


def by_year(folder):
    """Have files of years from now on."""
    path = folder / "site.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('period = "month"', 'period = "year"'), encoding="utf-8")


def test_another_length_of_period_leaves_no_files_of_the_old_one(copied, capsys):
    by_year(copied)
    told = run(copied)
    assert set(digests(copied)) == names("2023")
    assert {Path(p).name for p in told["removed"]} == names("2023-03", "2023-06")
    assert told["empty_periods"] == []
    show_absent(told)
    assert "removed   8 files that nothing is left for: north-slope_2023-03" in (
        capsys.readouterr().err
    )


def test_files_of_a_lost_list_are_known_by_what_they_say_and_no_other_is_removed(copied):
    folder = copied / "out" / "netcdf"
    june = folder / "north-slope_2023-06.nc"
    others = [shutil.copy(june, folder / name) for name in NOT_OURS]
    for name, history in EDITED.items():
        others.append(shutil.copy(june, folder / name))
        with netCDF4.Dataset(folder / name, "a") as file:
            file.history = history.format(file.history)
    others.append(shutil.copy(june, folder / "north-slope_2022-06.nc"))
    with netCDF4.Dataset(others[-1], "a") as file:  # as a store wrote it that is no more
        file.history = file.history.replace(file.product_version, "A1B2C3")
        file.product_version = "A1B2C3"
    others.append(folder / "north-slope_2023-04.nc")
    others[-1].write_text("notes on April", encoding="utf-8")
    (folder / "delivered.json").unlink()
    by_year(copied)
    told = run(copied)
    assert {Path(p).name for p in told["removed"]} == names("2023-03", "2023-06")
    left = {path.name for path in folder.glob("*.nc")}
    assert left == names("2023") | {Path(path).name for path in others}


def test_a_month_of_hand_rounds_alone_is_delivered_without_files_of_loggers(copied):
    path = copied / "data" / "rounds" / "may.csv"
    path.parent.mkdir()
    path.write_text(ROUND, encoding="utf-8")
    told = run(copied)
    # A hand reading is in the file of the rounds, whatever the month.
    assert told["empty_periods"] == ["2023-04", "2023-05"]
    request = Request(period="2023-05", pictures=False)
    made = Path(deliver_site(copied, request)["revision_folder"])
    assert [p.name for p in (made / "netcdf").iterdir()] == ["north-slope_rounds.nc"]


def test_a_revision_of_days_without_readings_is_refused_and_says_where_there_are(gap):
    folder, _ = gap
    with pytest.raises(PercologError, match=r"'2023-04'.*lie in: 2023-03, 2023-06"):
        deliver_site(folder, Request(period="2023-04"))
    assert not (folder / "out" / "deliveries").exists()
    days = datetime(2023, 4, 2), datetime(2023, 4, 9)
    found = r"found no reading of a tube in the days .* from 2023-03-01 to 2023-06-10"
    with pytest.raises(LayersError, match=found):
        layers_file(folder, [0.0, 0.2], folder / "out" / "april.nc", days=days)
    assert not (folder / "out" / "april.nc").exists()


@pytest.fixture(scope="module")
def partly(tmp_path_factory):
    """Return a site with rain alone in April and tubes alone in May, and its first night."""
    folder = Path(shutil.copytree(FIELD, tmp_path_factory.mktemp("partly") / "site"))
    put(folder, "03-03")
    put(folder, "04-20", tubes=False)
    put(folder, "05-10", rain=False)
    return folder, run(folder)


def test_a_month_has_files_only_of_what_was_logged_in_it(partly, capsys):
    folder, told = partly
    expected = names("2023-03") | names("2023-04", ends=OF_WEATHER)
    assert set(digests(folder)) == expected | names("2023-05", ends=OF_TUBES)
    assert told["empty_periods"] == []
    assert told["periods_without"] == {"tubes": ["2023-04"], "weather": ["2023-05"]}
    show_absent(told)
    assert capsys.readouterr().err.split("\n")[:-1] == [
        "  no files of tubes  2023-04: only the weather was logged then",
        "  no files of weather  2023-05: only tubes were logged then",
    ]


def test_files_of_rain_go_with_the_rain_and_those_of_tubes_stay(partly, tmp_path):
    folder = Path(shutil.copytree(partly[0], tmp_path / "site"))
    unwire(folder, "2023-03-01", "2023-04-01", ("rain",))
    told = run(folder)
    assert {Path(path).name for path in told["removed"]} == names("2023-03", ends=OF_WEATHER)
    assert names("2023-03", ends=OF_TUBES) <= set(digests(folder))
    assert told["periods_without"]["weather"] == ["2023-03", "2023-05"]


@pytest.mark.parametrize(
    ("month", "ends", "cubes"),
    [
        ("2023-04", OF_WEATHER, set()),
        ("2023-05", OF_TUBES, {"water", "storage", "daily_water", "daily_storage"}),
    ],
)
def test_a_revision_has_files_only_of_what_was_logged(partly, month, ends, cubes):
    request = Request(period=month, pictures=False)
    made = Path(deliver_site(partly[0], request)["revision_folder"])
    found = {path.name for path in (made / "netcdf").iterdir()}
    assert found & names(month) == names(month, ends=ends)
    tables = {path.stem for path in (made / "parquet").iterdir()}
    every = {f"north-slope_{month}_{step}{cube}" for step in ("", "daily_") for cube in CUBES}
    assert tables & every == {f"north-slope_{month}_{cube}" for cube in cubes}


def test_no_layers_are_written_of_days_with_rain_alone(partly, tmp_path):
    days = datetime(2023, 4, 20), datetime(2023, 4, 20)
    with pytest.raises(LayersError, match="found no reading of a tube in the days"):
        layers_file(partly[0], [0.0, 0.2], tmp_path / "april.nc", days=days)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (["2011", "2012", "2014"], "2011 to 2012, 2014"),
        (["2023-12", "2024-01", "2024-03"], "2023-12 to 2024-01, 2024-03"),
        (["all"], "all"),
        ([], ""),
    ],
)
def test_periods_that_follow_one_another_are_told_as_one(given, told):
    assert told_periods(given) == told
