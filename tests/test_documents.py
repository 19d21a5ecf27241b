"""The documents for people: what they point to is there, and what there is stands in them.

What a site description and a layout may hold is compared in ``tests/site``, what delivered
files hold in ``tests/deliver/test_readers.py``, because files are made there anyway.
"""

import re
from pathlib import Path

import numpy as np
import pytest
import typer.main

from pipeline.cli import app
from pipeline.deliver import rounds
from pipeline.deliver.event_fields import DOUBTS
from pipeline.deliver.row_fields import CORRECTIONS, DRIFT_CHECKS
from pipeline.derive import (
    drainage,
    event_block,
    events,
    fronts,
    limits,
    night_laws,
    night_rates,
)
from pipeline.ingest.records import REASONS, REPAIRS
from pipeline.products import space_files
from pipeline.qc.findings import Verdict
from pipeline.qc.flags import TEST_BITS, Quality

ROOT = Path(__file__).parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
TEXT = {page.name: page.read_text(encoding="utf-8") for page in PAGES}
COMMANDS = typer.main.get_command(app).commands
BLOCK = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
# Options of every command, told once for all in README.md.
OF_ALL = {"--json", "--help"}


def anchors(text):
    """Return the anchors of the headings of a page, as they are made where it is shown."""
    titles = re.findall(r"^#+ (.+)$", BLOCK.sub("", text), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def broken_links(page, text):
    for link in LINK.findall(BLOCK.sub("", text)):
        path, _, anchor = link.partition("#")
        aim = (page.parent / path) if path else page
        if link.startswith(("https://", "http://")):
            continue
        if not aim.exists() or (anchor and anchor not in anchors(aim.read_text("utf-8"))):
            yield link


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    assert list(broken_links(page, TEXT[page.name])) == []


def test_a_link_to_nowhere_is_seen():
    text = "[a](missing.md) [b](files.md#no-such-heading) [c](files.md#hand-rounds)"
    assert len(list(broken_links(ROOT / "docs" / "x.md", text))) == 2


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_files_of_the_project_that_a_page_names_are_there(page):
    named = re.findall(
        r"`((?:pipeline|flows|tests|docs|data|config)/[\w./-]+)`", TEXT[page.name]
    )
    assert [name for name in named if not (ROOT / name).exists()] == []


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_stands_on_a_page_about_its_command(name):
    pages = [text for text in TEXT.values() if f"percolog {name}" in text]
    said = set(re.findall(r"--[\w-]+", "\n".join(pages)))
    options = [
        {*p.opts, *p.secondary_opts} for p in COMMANDS[name].params if p.opts[0][0] == "-"
    ]
    assert [sorted(each) for each in options if not each & (said | OF_ALL)] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_shown_have_the_options_shown(page):
    text = TEXT[page.name].replace("\\\n", " ")
    for name, rest in re.findall(r"percolog ([a-z]+)((?: [^`\n#|&]+)?)", text):
        if name in COMMANDS:
            known = {o for p in COMMANDS[name].params for o in (*p.opts, *p.secondary_opts)}
            assert set(re.findall(r"(?<!\S)--[a-z][\w-]*", rest)) <= known | OF_ALL, name


def words(name):
    """Return what stands in code marks on a page, and each word of it."""
    found = re.findall(r"`([^`\n]+)`", BLOCK.sub("", TEXT[name]))
    return set(found) | {word for each in found for word in each.split()}


@pytest.mark.parametrize(
    ("page", "names"),
    [
        ("every-night.md", [*REASONS, *REPAIRS]),
        ("events.md", DOUBTS),
        ("quality.md", TEST_BITS),
        ("files.md", [field.name for field in (*CORRECTIONS, *DRIFT_CHECKS)]),
        ("files.md", [head.split(" [")[0] for head in rounds._COMPARISON.values()]),
        (
            "files.md",
            [h.split(" [")[0] for t in space_files._HEADS.values() for h in t.values()],
        ),
    ],
)
def test_a_page_explains_every(page, names):
    assert set(names) - words(page) == set()


def test_numbers_of_flags_are_those_inside():
    """Of tests the bits, of values and tubes the flags, as "1 good, 2 not evaluated"."""
    said = " ".join(TEXT["files.md"].split())
    numbers = TEST_BITS | {q.name.lower().replace("_", " "): q.value for q in Quality}
    numbers |= {verdict.name.lower().replace("_", " "): verdict.value for verdict in Verdict}
    for name, number in numbers.items():
        assert re.search(rf"\b{number} {name}\b", said), name


RULES = limits.LimitRules()
SHORTEST_D = limits.TIMES_D[0] * np.prod([pair[0] for pair in limits.FINER])
LONGEST_D = limits.TIMES_D[-1] * np.prod([pair[1] for pair in limits.FINER])
STATED = [
    ("events.md", f"mean over the {events.LEVEL_S // 3600} hours up to the foot"),
    ("events.md", f"and within {fronts.PEAK_DAYS} days"),
    ("events.md", "highest mean of five readings from that foot on"),
    ("events.md", f"({event_block.RELATIVE_ERROR} where no law states a covariance)"),
    ("events.md", f"no pause over {fronts.PAUSE_S // 3600} hours"),
    ("events.md", f"begins at most {events.RAIN_LEAD_S // 3600} before the first onset"),
    ("events.md", f"by the hour for {drainage.RECESSION_DAYS} days at most"),
    ("events.md", f"less than {drainage.LEAST_READINGS} readings or hours"),
    ("events.md", f"a fall below {drainage.LEAST_FALL}"),
    (
        "events.md",
        f"not within {drainage.SHORTEST_H:g} and {drainage.LONGEST_H:g} hours",
    ),
    ("events.md", f"wetter by more than {night_laws.BEYOND}"),
    (
        "events.md",
        f"exp(−(d / {night_rates.MORE_M})²) (1 − exp(−g / {night_rates.FULL_MM_M:g} z))",
    ),
    ("limits.md", f"at least {RULES.gain} above the lowest of the three days"),
    ("limits.md", f"rises by more than {RULES.rise}"),
    ("limits.md", f"or for {limits.LONGEST_SPELL_D} days"),
    ("limits.md", f"a scale below {RULES.drainable}"),
    ("limits.md", f"sought from {SHORTEST_D:.2f} to {LONGEST_D:.1f} days"),
    ("limits.md", f"{limits.MAD_TO_SD} times"),
    ("limits.md", f"within the {RULES.drying_d} days before"),
    ("space.md", "v (n - k)/n is added to s²"),
]


@pytest.mark.parametrize(("page", "said"), STATED, ids=lambda text: text[:24])
def test_a_page_states_the_rules_by_which_its_numbers_are_made(page, said):
    """Whoever computes them from delivered water content by the page must get the same."""
    assert said in " ".join(TEXT[page].split())
