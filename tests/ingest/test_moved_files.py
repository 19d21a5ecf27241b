"""Files moved from the folder of one source into another's: read from where they lie."""

from datetime import UTC, datetime

import numpy as np
import pytest
from one_day import SITE, lay_out

from pipeline.nights import night

NOW = datetime(2023, 4, 1, tzinfo=UTC)
FILE = "2023-03-10.csv"
WIRING = """source,channel,tube,depth_cm,quantity,unit,probe,from,until
logger-a,mV_1,T1,10,voltage,mV,P1,,{0}
logger-a,mV_2,T1,30,voltage,mV,P3,,{0}
logger-a,rain,,,rain,mm,,,{0}
later,mV_1,T1,10,voltage,mV,P1,{0},
later,mV_2,T1,30,voltage,mV,P3,{0},
later,rain,,,rain,mm,,{0},
"""


def voltage(folder):
    state = night.site_store(night.open_description(folder)).read()
    return state.array("readings/voltage")[:]


@pytest.mark.parametrize("grown", [False, True])
def test_a_file_moved_to_another_source_is_not_gone(tmp_path, grown):
    """What each source is wired for stands, and later nights have nothing to tell."""
    folder = lay_out(tmp_path / "site")
    assert night.store_night(folder, NOW)["set_aside"] == []
    before = voltage(folder)
    (folder / "data/later").mkdir()
    moved = (folder / "data/logger-a" / FILE).rename(folder / "data/later" / FILE)
    if grown:
        moved.write_bytes(moved.read_bytes() + b"\n")
    text = (SITE / "site.toml").read_text()
    first = text.index("[[source]]")
    own = text[first : text.index("[[source]]", first + 1)]
    text = (
        text[:first]
        + own.replace("logger-a/", "later/").replace('"logger-a"', '"later"', 1)
        + text[first:]
    )
    (folder / "site.toml").write_text(text)
    wiring = (SITE / "wiring.csv").read_text()
    wiring = WIRING.format("2023-03-10T12:00") + wiring[wiring.index("bus,") :]
    (folder / "wiring.csv").write_text(wiring)
    told = night.store_night(folder, NOW)["set_aside"]
    assert {row["reason"] for row in told} == {"not_wired"}
    assert night.store_night(folder, NOW)["set_aside"] == []
    np.testing.assert_array_equal(voltage(folder), before)
