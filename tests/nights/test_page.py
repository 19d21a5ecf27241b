"""The page of a night: every link leads somewhere, its numbers are the delivered ones."""

from __future__ import annotations

import shutil
from collections import Counter
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from urllib.parse import unquote

import netCDF4
import numpy as np
import pytest
from delivered_site import BUS, FIELD, NOW, ROUND, STORMS_H, export

from pipeline.nights import night, parts
from pipeline.products.event_store import gain_error_mm
from pipeline.report.night_page import address, number_text, sentence, signed_text

HOSTILE = '<img src="x" onerror="alert(1)"> & "quoted"'
CELLS = {"td", "th", "li", "p", "h1", "h2", "h3", "b"}
VOID = {"meta", "img", "br"}  # elements of HTML that have no end


class Page(HTMLParser):
    """What a browser would make of a page: its elements, addresses and text."""

    def __init__(self, html):
        super().__init__(convert_charrefs=True)
        self.open, self.elements = [], Counter()
        self.ids, self.addresses, self.text = [], [], []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements[tag] += 1
        known = dict(attrs)
        self.ids += [known["id"]] if "id" in known else []
        self.addresses += [known[name] for name in ("href", "src") if name in known]
        assert not [name for name in known if name.startswith("on")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag
        self.text += [" "] if tag in CELLS else []

    def handle_data(self, data):
        self.text.append(data)

    @property
    def words(self):
        return " ".join("".join(self.text).split())


def read_page(folder):
    page = Page((folder / "out" / "report.html").read_text(encoding="utf-8"))
    assert page.open == []
    return page


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A site of known numbers after a night, with hostile names in it."""
    folder = tmp_path_factory.mktemp("page") / "field"
    shutil.copytree(FIELD, folder)
    text = (folder / "site.toml").read_text(encoding="utf-8")
    title = next(line for line in text.splitlines() if line.startswith("title"))
    (folder / "site.toml").write_text(text.replace(title, f"title = '{HOSTILE}'"), "utf-8")
    for name, content in (
        ("logger-a/march.csv", export()),
        ("logger-a/<script>alert(1)<!--.csv", "no header\n"),
        ("bus/march.log", BUS),
        ("rounds/march.csv", ROUND),
    ):
        path = folder / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
    night.run_night(folder, NOW)
    return folder


def test_every_address_leads_somewhere_and_nothing_is_fetched(folder):
    page = read_page(folder)
    inner = {link[1:] for link in page.addresses if link.startswith("#")}
    assert inner <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))
    files = {unquote(link) for link in page.addresses if not link.startswith("#")}
    assert [name for name in files if not (folder / "out" / name).is_file()] == []
    pictures = {f"pictures/{path.name}" for path in (folder / "out/pictures").glob("*.png")}
    netcdf = {f"netcdf/{path.name}" for path in (folder / "out/netcdf").glob("*.nc")}
    assert len(pictures) > 5
    assert pictures | netcdf <= files
    assert page.elements["img"] == len(pictures)


def test_names_from_outside_stay_text(folder):
    page = read_page(folder)
    assert page.elements["script"] == 0
    assert HOSTILE in page.words
    assert "logger-a/<script>alert(1)<!--.csv" in page.words


def test_stored_water_is_what_is_delivered(folder):
    """The newest day of every tube and layer, read from the NetCDF file by another library."""
    (path,) = (folder / "out/netcdf").glob("*_daily.nc")
    words, told = read_page(folder).words, 0
    with netCDF4.Dataset(path) as file:
        stored = file["soil_water_storage"][:].filled(np.nan)
        random = file["storage_random_error"][:].filled(np.nan)
        systematic = file["storage_systematic_error"][:].filled(np.nan)
    for tube, layer in np.argwhere(np.isfinite(stored).any(axis=2)):
        day = np.flatnonzero(np.isfinite(stored[tube]).any(axis=0))[-1]
        value, error = stored[tube, layer, day], np.hypot(random, systematic)[tube, layer, day]
        change = value - stored[tube, layer, day - 7]
        if np.isfinite(value):
            sign = "+" if change > 0 else "−"
            assert f"{value:.1f} ± {error:.1f} ({sign}{abs(change):.1f})" in words
            told += 1
    assert told


def test_newest_event_and_verdicts_are_told(folder):
    words = read_page(folder).words
    # Local time is an hour ahead; the storm's water is at the upper sensor an hour later.
    onset = datetime(2023, 3, 3, tzinfo=UTC) + timedelta(hours=STORMS_H[-1])
    found = words.split("State ")[1].split()
    assert found[0] == "T1"
    told = datetime.fromisoformat(f"{found[1]} {found[2]}Z")
    assert abs(told - onset) <= timedelta(minutes=30)
    behind = "Last reading more than a day before the night"
    assert f"{behind} 25 days before: T2 19 days before: T1" in words
    assert "T1: use with care too little to judge by: 10 days" in words


def test_a_part_that_failed_and_a_later_night_are_told(folder):
    later = NOW + timedelta(days=2)
    stored = night.store_night(folder, later)
    parts.close(folder, stored, {"delivered": []}, ValueError("the pencil broke"))
    words = read_page(folder).words
    assert "A part of the night failed" in words
    assert "draw: ValueError: the pencil broke" in words
    assert "night of 2023-04-03 00:00 UTC" in words
    assert "21 days before: T1" in words


def test_a_site_without_readings_has_a_page(tmp_path):
    folder = tmp_path / "field"
    shutil.copytree(FIELD, folder)
    (folder / "data").mkdir()
    night.run_night(folder, NOW)
    page = read_page(folder)
    assert "Stored water" not in page.words
    assert "0 values read = 0 stored" in page.words
    assert "– – – – –" in page.words


def test_a_gain_of_which_a_part_of_the_error_is_not_known_has_none():
    parts = ("random", "systematic", "spacing")
    row = dict(zip((f"gain_{part}_error_mm" for part in parts), (3.0, 4.0, 12.0), strict=True))
    assert gain_error_mm(row) == 13.0  # by hand: 9 + 16 + 144 = 169
    assert gain_error_mm(row | {"gain_spacing_error_mm": None}) is None
    assert gain_error_mm(row | {"gain_random_error_mm": float("nan")}) is None


def test_numbers_and_addresses_as_people_and_browsers_read_them():
    values = (-1.26, -0.04, 0.04, 12.35, None, float("nan"))
    assert [number_text(value) for value in values] == ["−1.3", "0.0", "0.0", "12.3", "–", "–"]
    assert [signed_text(value) for value in values[:4]] == ["−1.3", "0.0", "0.0", "+12.3"]
    assert signed_text(None) == "–"
    assert sentence("at 20 cm in T1") == "At 20 cm in T1."
    assert address(["pictures", 'a b#?"ü.png']) == "pictures/a%20b%23%3F%22%C3%BC.png"
