"""Patterns mean what they mean to `Path.glob`."""

import pytest

from pipeline.site.matching import matching

FILES = ("x.csv", "a/x.csv", "a/y.CSV", "a/b/.z.csv", "c.csv/x.csv", "a/b/[1].csv")
PATTERNS = (
    "*.csv",
    "a/*.csv",
    "**/*.csv",
    "*/*.csv",
    "a/**/*.csv",
    "**/b/**/*.csv",
    "[a-b]/x.csv",
    "link/*.csv",
    "lin?/b/*",
    "a/b/[[]1].csv",
    "*",
    "**/*",
    "gone/*.csv",
)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_pattern_means_what_it_means_to_the_library(tmp_path, pattern):
    for name in FILES:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("")
    (tmp_path / "link").symlink_to(tmp_path / "a")
    (tmp_path / "a" / "b" / "up").symlink_to(tmp_path)
    assert matching(tmp_path, pattern) == (sorted(tmp_path.glob(pattern)), [])
