"""Global attributes: spans, places, and nothing that is not known."""

import numpy as np
import pytest

from pipeline.deliver.metadata import Extent, Vertical, duration, global_attributes, instant
from pipeline.site.models import Delivery


def make_extent(latitudes=(50.0, 51.0), longitudes=(8.0, 9.0)):
    return Extent(
        np.array(latitudes),
        np.array(longitudes),
        Vertical.below_surface(np.array([0.1, 1.0])),
        (1709251200, 1711925100),  # 2024-03-01T00:00Z and 2024-03-31T22:45Z
        900,
    )


@pytest.mark.parametrize(
    ("seconds", "text"),
    [  # ISO 8601, by hand
        (0, "PT0S"),
        (900, "PT15M"),
        (3600, "PT1H"),
        (86_400, "P1D"),
        (2_673_900, "P30DT22H45M"),
        (90_061, "P1DT1H1M1S"),
    ],
)
def test_spans_are_iso_durations(seconds, text):
    assert duration(seconds) == text


def test_period_is_stated_in_utc(make_site, provenance):
    found = global_attributes(
        make_site(), "soil water", "timeSeriesProfile", make_extent(), provenance
    )
    assert instant(1709251200) == "2024-03-01T00:00:00Z"
    assert found["time_coverage_start"] == "2024-03-01T00:00:00Z"
    assert found["time_coverage_end"] == "2024-03-31T22:45:00Z"
    assert found["time_coverage_duration"] == "P30DT22H45M"
    assert found["time_coverage_resolution"] == "PT15M"


@pytest.mark.parametrize(
    ("latitudes", "longitudes", "text"),
    [
        ((50, 50), (8, 8), "POINT (50.0 8.0)"),
        ((50, 51), (8, 8), "LINESTRING (50.0 8.0, 51.0 8.0)"),
        (
            (50, 51),
            (8, 9),
            "POLYGON ((50.0 8.0, 50.0 9.0, 51.0 9.0, 51.0 8.0, 50.0 8.0))",
        ),
    ],
)
def test_bounds_are_latitude_first_as_the_reference_system_orders_them(
    make_site, provenance, latitudes, longitudes, text
):
    extent = make_extent(latitudes, longitudes)
    found = global_attributes(
        make_site(), "soil water", "timeSeriesProfile", extent, provenance
    )
    assert found["geospatial_bounds"] == text
    assert found["geospatial_bounds_crs"] == "EPSG:4326"


def test_what_the_site_leaves_empty_is_left_out(make_site, provenance):
    site = make_site(delivery=Delivery())
    found = global_attributes(
        site, "soil water", "timeSeriesProfile", make_extent(), provenance
    )
    assert "license" not in found
    assert "comment" not in found
    assert "" not in found.values()


def test_history_says_from_what_and_how(make_site, provenance):
    found = global_attributes(
        make_site(), "soil water", "timeSeriesProfile", make_extent(), provenance
    )
    for part in ("0.1.0", "ABCDEFGH12345", "0" * 64, "12 raw files", "quality, storage"):
        assert part in found["history"]
    assert found["date_created"] == provenance.created
    assert " " not in found["id"]
