"""Whatever stands in the files, loading gives a site or a SiteError, nothing else."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import SiteError
from pipeline.site.load import load_site

FIELD = Path(__file__).parent / "field"
FILES = sorted(path.relative_to(FIELD).as_posix() for path in FIELD.rglob("*.*"))
# What has broken parsers before: signs, quotes, nesting, odd numbers, dates and units.
SHARDS = [
    "", "\n", '"', "'", ",", ";", "[", "]", "[[", "{", "}", "=", "#", "\0", "\ufeff", "\u2028",
    "nan", "inf", "-1", "1e400", "0x" + "f" * 5000, "9" * 5000, "9999-12-31", "0001-01-01",
    "2023-02-29", "m**999999", "%", "true", "[[[[", "a.b.c", "..", "//", "s3://", "\\", "٣",
    "2023-03-01T24:00", "[" * 3000, "é" * 70, "S" * 70,
]  # fmt: skip


@st.composite
def spoilt(draw):
    """Return a file's name and its text with a few pieces cut out and shards put in."""
    name = draw(st.sampled_from(FILES))
    text = (FIELD / name).read_text(encoding="utf-8")
    for _ in range(draw(st.integers(1, 3))):
        begin = draw(st.integers(0, len(text)))
        end = begin + draw(st.integers(0, 12))
        text = text[:begin] + draw(st.sampled_from(SHARDS)) + text[end:]
    return name, text


def outcome(name, text):
    """Return the site loaded with one file's text replaced, or None, and the problems told."""
    with tempfile.TemporaryDirectory() as scratch:
        for file in FILES:
            path = Path(scratch) / file
            path.parent.mkdir(exist_ok=True)
            path.write_bytes((FIELD / file).read_bytes())
        (Path(scratch) / name).write_text(text, encoding="utf-8", newline="")
        try:
            return load_site(Path(scratch)), ()
        except SiteError as error:
            return None, error.problems


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(spoilt())
def test_spoilt_text_gives_a_site_or_a_site_error(case):
    site, problems = outcome(*case)
    assert (site is None) == bool(problems)
    assert all(p.file and p.found and p.expected for p in problems)


@pytest.mark.parametrize("shard", [s for s in SHARDS if s.strip()])
def test_odd_values_in_the_settings_are_told(shard):
    text = (FIELD / "site.toml").read_text(encoding="utf-8")
    for target in ("15 min", "bus/*.log", "0.5 mV", "2023-03-01"):
        site, problems = outcome("site.toml", text.replace(target, shard))
        assert (site is None) == bool(problems)
