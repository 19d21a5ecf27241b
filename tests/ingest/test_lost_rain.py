"""Rain of which a step keeps one reading only is told, with how much is missing."""

from datetime import UTC, datetime

import pytest
from one_day import HEADER, lay_out

from pipeline.nights import night

NOW = datetime(2023, 3, 11, tzinfo=UTC)


@pytest.mark.parametrize(("every_min", "missing"), [(5, "1.4 mm"), (15, None)])
def test_rain_logged_more_often_than_the_axis_has_steps(tmp_path, every_min, missing):
    """By hand: of twelve times 0.2 mm four fall on quarters, the last is nearest to 11:00."""
    folder = lay_out(tmp_path / "site")
    data = folder / "data" / "logger-a"
    for path in data.iterdir():
        path.unlink()
    minutes = range(0, 60, every_min)
    text = HEADER + "".join(f"10.03.2023 10:{m:02d};300;400;0,2\n" for m in minutes)
    for name in ("a.csv", "copy.csv"):  # a copy takes nothing away
        (data / name).write_text(text, encoding="utf-8")
    result = night.store_night(folder, NOW)
    told = [(row["file"], row["found"]) for row in result["set_aside"]]
    expected = "of rain in readings that fall on the step of another"
    assert told == ([("logger-a/copy.csv", f"{missing} {expected}")] if missing else [])
