"""Programs and libraries of others that open a delivered file, each in its own way.

A reader takes a path and the names of a field and its coordinates, and returns arrays by name:
times as ISO texts to the second, as the reader itself decodes them; depths and values as
numbers; names as text; the field in the shape the reader gives it.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import warnings
from pathlib import Path
from unittest import mock

import numpy as np
from checkers import standard_names

TIMES = ("time", "reading_time")
TEXTS = ("tube_id", "event_id")
R_SCRIPT = """
library(ncdf4)
given <- commandArgs(trailingOnly = TRUE)
file <- nc_open(given[1])
for (name in given[-1]) {
  values <- ncvar_get(file, name)
  units <- ncatt_get(file, name, "units")
  if (units$hasatt && grepl(" since ", units$value)) {
    origin <- as.POSIXct(sub("Z$", "", sub(".* since ", "", units$value)), tz = "UTC")
    values <- format(origin + as.vector(values), "%Y-%m-%dT%H:%M:%S", tz = "UTC")
  } else if (is.numeric(values)) {
    values <- format(as.vector(values), digits = 12)
  }
  cat(name, "\\t", paste(trimws(values), collapse = "\\t"), "\\n", sep = "")
}
"""


def by_xarray(path, names):
    import xarray as xr

    with xr.open_dataset(path) as file:
        found = {name: file[name].values for name in names}
    return {name: iso(a) if a.dtype.kind == "M" else a for name, a in found.items()}


def by_netcdf4(path, names):
    import netCDF4

    found = {}
    with netCDF4.Dataset(path) as file:
        for name in names:
            values = file[name][:]
            if name in TIMES:
                dates = netCDF4.num2date(
                    values,
                    file[name].units,
                    file[name].calendar,
                    only_use_cftime_datetimes=True,
                )
                values = date_texts(dates)
            found[name] = plain(values)
    return found


def by_iris(path, names):
    """Return arrays; iris leaves texts out (with a warning), so tubes have no names there."""
    import iris

    with warnings.catch_warnings():
        # It warns of the texts, of profiles that do not span the readings of a ragged file,
        # and of dates to the second, which is what is delivered.
        warnings.simplefilter("ignore")
        cubes = {cube.var_name: cube for cube in iris.load_raw(path)}
        cube = next(cubes[name] for name in names if name in cubes and name not in TIMES)
        found = {str(cube.var_name): plain(cube.data)}
        for part in (*cube.coords(), *cube.ancillary_variables()):
            if part.var_name in names:
                values = part.points if hasattr(part, "points") else part.data
                isdate = part.var_name in TIMES
                found[part.var_name] = (
                    date_texts(part.units.num2date(values)) if isdate else plain(values)
                )
    return found


def by_cfdm(path, names):
    import cfdm

    # It would ask the network for the table of names, for every variable anew.
    asked = "cfdm.conformance.checker.get_all_current_standard_names"
    with mock.patch(asked, return_value=standard_names()):
        fields = {field.nc_get_variable(""): field for field in cfdm.read(str(path))}
    field = next(name for name in names if name in fields)
    constructs = fields[field].constructs.filter_by_type(
        "dimension_coordinate", "auxiliary_coordinate", "field_ancillary"
    )
    found = {field: plain(fields[field].array)}
    for construct in constructs.values():
        name = construct.nc_get_variable("")
        if name not in names:
            continue
        if name in TIMES:
            found[name] = date_texts(construct.data.datetime_array)
        else:
            found[name] = plain(construct.array)
    return found


def by_ncdump(path, names):
    return read_cdl(
        run("ncdump", "-t", "-i", "-p", "9,17", "-v", ",".join(names), path), names
    )


def by_nco(path, names):
    made = run("ncks", "--cdl", "--dt_fmt=3", "--cal", "-C", "-v", ",".join(names), path)
    return read_cdl(made, names)


def by_r(path, names):
    with tempfile.NamedTemporaryFile("w", suffix=".R") as script:
        script.write(R_SCRIPT)
        script.flush()
        lines = run("Rscript", "--vanilla", script.name, path, *names).splitlines()
    found = {}
    for line in lines:
        name, *texts = line.split("\t")
        found[name] = texts_or_numbers(name, texts)
    return found


def by_cdo(path, names):
    """Return arrays; CDO wants time first, so NCO turns the dimensions round before."""
    field = next(name for name in names if name not in ("time", "depth", "tube_id"))
    with tempfile.TemporaryDirectory() as folder:
        turned = Path(folder) / "turned.nc"
        run("ncpdq", "-a", "time,depth,tube", "-v", field, path, turned)
        table = run(
            "cdo", "-s", "outputtab,date,time,lev,xind,value", f"-selname,{field}", turned
        )
    rows = [line.split() for line in table.splitlines() if line and line[0] != "#"]
    dates, hours, levels, cells, values = zip(*rows, strict=True)
    times = list(dict.fromkeys(f"{d}T{h}" for d, h in zip(dates, hours, strict=True)))
    depths = list(dict.fromkeys(map(float, levels)))
    shape = len(times), len(depths), len(set(cells))
    cube = np.array(values, dtype=np.float64).reshape(shape).transpose(2, 0, 1)
    return {field: cube, "time": np.array(times), "depth": np.array(depths)}


# What each is called, what it needs to be there, and whether it knows ragged arrays.
READERS = {
    "xarray": (by_xarray, ()),
    "netCDF4": (by_netcdf4, ()),
    "iris": (by_iris, ("iris",)),
    "cfdm": (by_cfdm, ("cfdm",)),
    "ncdump": (by_ncdump, ("ncdump",)),
    "NCO": (by_nco, ("ncks",)),
    "R": (by_r, ("Rscript",)),
    "CDO": (by_cdo, ("cdo", "ncpdq")),
}
PACKAGES = {
    "ncdump": "netcdf-bin",
    "ncks": "nco",
    "ncpdq": "nco",
    "cdo": "cdo",
    "Rscript": "r-cran-ncdf4",
}


def missing(name):
    """Return why a reader cannot be tried here; empty if it can."""
    from importlib.util import find_spec

    for need in READERS[name][1]:
        if need in PACKAGES and shutil.which(need) is None:
            return f"{need} is not installed (Debian: {PACKAGES[need]})"
        if need not in PACKAGES and find_spec(need) is None:
            return f"{need} is not installed (pip install -e '.[test]')"
    if name == "R" and not _has_ncdf4():
        return "R has no package ncdf4 (Debian: r-cran-ncdf4)"
    return ""


def _has_ncdf4():
    ask = ["Rscript", "--vanilla", "-e", 'cat(requireNamespace("ncdf4", quietly = TRUE))']
    return subprocess.run(ask, capture_output=True, text=True).stdout == "TRUE"


def run(*words):
    """Return what a program prints; it fails loudly."""
    done = subprocess.run([str(word) for word in words], capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError(f"{words[0]} failed: {done.stderr}")
    return done.stdout


def read_cdl(text, names):
    """Return the data section of CDL, the text form of NetCDF, as flat arrays by name."""
    data = text[re.search(r"^\s*data:", text, re.M).end() :]
    found = {}
    for name in names:
        listed = re.search(rf"^\s*{name} =((?:\"[^\"]*\"|[^;\"])*);", data, re.M).group(1)
        values = [v.strip() for v in re.findall(r"\"[^\"]*\"|[^,\s]+", listed)]
        found[name] = texts_or_numbers(name, [value.strip('"') for value in values])
    return found


def texts_or_numbers(name, texts):
    if name in TEXTS:
        return np.array(texts)
    if name in TIMES:
        # ncdump leaves out what is zero at the end: "2023-03-11 08".
        whole = [text.replace(" ", "T").split(".")[0] for text in texts]
        return np.array([text + "T00:00:00"[len(text) - 10 :] for text in whole])
    return np.array([np.nan if t in ("_", "NA", "NaN") else float(t) for t in texts])


def date_texts(dates):
    return np.array([date.isoformat() for date in np.ravel(dates)])


def iso(values):
    return np.datetime_as_string(values.astype("datetime64[s]"))


def plain(values):
    """Return an array with NaN where a reader masks."""
    array = np.ma.asarray(values)
    if array.dtype.kind in "SUO":
        return np.array(array.filled("")).astype(str)
    return array.astype(np.float64).filled(np.nan)
