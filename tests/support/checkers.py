"""Independent checkers of delivered files, run in this process."""

import shutil
import warnings
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import netCDF4
import pytest

EMPTY_TABLE = """<?xml version="1.0"?>
<table><version_number>0</version_number><date>2020-01-01</date>
<last_modified>2020-01-01T00:00:00Z</last_modified></table>
"""


def remarks(path, checker, above):
    """Return what compliance-checker says, of more than priority ``above``."""
    from compliance_checker.runner import CheckSuite

    with warnings.catch_warnings():
        # The checker's own code warns of deprecated calls, not of our file.
        warnings.simplefilter("ignore")
        suite = CheckSuite()
        suite.load_all_available_checkers()
        dataset = suite.load_dataset(str(path))
        scores = suite.run_all(dataset, [checker], skip_checks=[])
        dataset.close()
    groups, errors = scores[checker]
    assert not errors
    assert len(groups) > 10  # it did check
    return [
        (group.weight, group.name, message)
        for group in groups
        if group.weight > above
        for message in messages_of(group)
        if not ("and actual time values" in message and covers_its_cells(path))
    ]


def covers_its_cells(path):
    """Tell whether the coverage in time is that of the file's cells.

    The checker holds it against the first and the last stamp alone, so that the last day of
    daily values had to be left out to please it.
    """
    with netCDF4.Dataset(path) as file:
        time = file["time"]
        if "bounds" not in time.ncattrs():
            return False
        cells = file[time.bounds][:]
        ends = netCDF4.num2date([cells.min(), cells.max()], time.units)
        told = [f"{end.isoformat()}Z" for end in ends]
        return told == [file.time_coverage_start, file.time_coverage_end]


def messages_of(result):
    """Return the messages of a result and its children that lost a point."""
    children = [message for child in result.children or () for message in messages_of(child)]
    if result.children:
        return children
    got, possible = result.value if isinstance(result.value, tuple) else (result.value, 1)
    return [] if got == possible or got is True else list(result.msgs or [result.name])


def name_table():
    """Return the CF standard name table that comes with compliance-checker."""
    import compliance_checker

    return Path(compliance_checker.__file__).parent / "data" / "cf-standard-name-table.xml"


@cache
def standard_names():
    """Return the names of that table, without aliases."""
    root = ElementTree.parse(name_table()).getroot()
    return frozenset(entry.get("id") for entry in root.iter("entry"))


def second_opinion(path, tmp_path):
    """Return the counts of cfchecker with tables from disk, so that no network is asked."""
    try:
        from cfchecker.cfchecks import CFChecker
    except (ImportError, FileNotFoundError, OSError) as error:
        pytest.skip(f"cfchecker needs the UDUNITS library (Debian: libudunits2-0): {error}")
    empty = tmp_path / "empty.xml"
    empty.write_text(EMPTY_TABLE)  # no area types or regions are named in our files
    copy = str(shutil.copy(path, tmp_path / path.name))
    with netCDF4.Dataset(copy, "a") as file:
        file.Conventions = "CF-1.8"  # the newest it knows; it refuses files of later ones
    checker = CFChecker(
        cfStandardNamesXML=str(name_table()),
        cfAreaTypesXML=str(empty),
        cfRegionNamesXML=str(empty),
        version="CF-1.8",
        silent=True,
    )
    checker.checker(copy)
    return checker.get_counts()
