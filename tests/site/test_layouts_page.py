"""docs/layouts.md: it names every key, and its layouts read the samples below them."""

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest.readers import READERS
from pipeline.site import layout
from pipeline.site.layout import Layout
from pipeline.site.translate import key_names

PAGE = (Path(__file__).parents[2] / "docs" / "layouts.md").read_text(encoding="utf-8")
EXAMPLE = re.compile(
    r'```toml title="([\w-]+)\.toml"\n(.*?)```\n\n'
    r'```text (?:kind="(\w+)" )?reads="(.*?)"\n(.*?)```',
    re.DOTALL,
)
MODELS = [
    layout.Layout,
    layout.Dialect,
    layout.TableSchema,
    layout.Column,
    layout.Datatype,
    layout.TranscriptForm,
    layout.RoundsForm,
]


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_every_key_is_named_with_an_example(model):
    parts = {"dialect", "tableSchema", "transcript", "rounds", "id", "title"}
    rows = [line for line in PAGE.splitlines() if line.startswith("| `")]
    for key in set(key_names(model, ())) - parts:
        assert any(f"`{key}`" in row.split("|")[1] for row in rows), key
        assert any(
            re.search(rf"`(\[\[\w+\.)?{key}\b", row.split("|")[-2]) for row in rows
        ) or (key in ("received", "null"))


def test_there_are_examples_of_every_kind():
    kinds = [kind or "table" for _, _, kind, _, _ in EXAMPLE.findall(PAGE)]
    assert {kind: kinds.count(kind) for kind in kinds} == {"table": 5, "sdi12": 1, "rounds": 1}


@pytest.mark.parametrize("example", EXAMPLE.findall(PAGE), ids=lambda example: example[0])
def test_a_layout_reads_its_sample_whole(example):
    name, text, kind, reads, sample = example
    form = Layout.model_validate({**tomllib.loads(text), "id": name})
    parsed = READERS[kind or "table"](sample.encode(), form, "sample")
    assert parsed.rejects == ()
    assert parsed.rows_with_values > 0
    stamp, channel, value = reads.split()
    expected = int(np.datetime64(stamp, "s").astype(int))
    if parsed.rounds is not None:
        rounds = parsed.rounds
        found = (rounds.stamp_s[0], rounds.tube[0], rounds.value[0])
        assert found == (expected, channel, float(value))
        return
    [table] = [table for table in parsed.tables if channel in table.columns]
    assert (table.stamp_s[0], table.columns[channel][0]) == (expected, float(value))
