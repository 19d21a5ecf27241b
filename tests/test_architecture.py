"""The shape of the code: imports point one way, only the flows know Prefect."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import dear_files

ROOT = Path(__file__).parents[1]
SOURCES = sorted([*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "flows").rglob("*.py")])
PYTHON_FILES = [*SOURCES, *sorted((ROOT / "tests").rglob("*.py"))]

# From the first to the last; a module imports its own layer and earlier ones.
LAYERS = (
    (
        "errors",
        "own_folder",
        "refusals",
        "locks",
        "variables",
        "units",
        "axis",
        "arrays",
        "compiled",
        "runs",
        "words",
        "smooth_curve",
        "processes",
        "outcomes",
        "site",
    ),
    ("store", "step", "record_step"),
    ("ingest",),
    ("calibrate",),
    ("qc",),
    ("derive",),
    ("deliver", "report"),
    ("products",),
    ("steps",),
    ("engine",),
    ("schemas", "notebook", "nights"),
    ("history", "delivering", "console"),
    ("lineage", "accounts", "watch"),
    ("commands", "cli"),
    ("flows",),
)
RANK = {name: rank for rank, layer in enumerate(LAYERS) for name in layer}
SCIENCE = ("calibrate", "qc", "derive", "deliver", "report")
STORES = {"store", "engine", "icechunk", "zarr"}
MAX_LINES = 400


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def layer_of(module: str) -> str:
    """Return the package or module that has a place in LAYERS, or the library's name."""
    parts = module.split(".")
    return parts[1] if parts[0] == "pipeline" and len(parts) > 1 else parts[0]


def imports(path: Path) -> list[tuple[str, bool]]:
    """Return every module a file imports, and whether that is inside a function."""
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    # No expression imports anything.
    statements = (ast.stmt, ast.excepthandler, ast.match_case)
    waiting: list[tuple[ast.AST, bool]] = [(ast.parse(path.read_text("utf-8")), False)]
    found = []
    for node, inner in waiting:  # it grows on the way
        if isinstance(node, ast.Import):
            found += [(alias.name, inner) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            whole = [
                name
                for name in names
                if (ROOT / name.replace(".", "/")).with_suffix(".py").exists()
            ]  # from package import module
            found += [(name, inner) for name in whole or [str(node.module)]]
        inside = inner or isinstance(node, functions)
        children = ast.iter_child_nodes(node)
        waiting += [(child, inside) for child in children if isinstance(child, statements)]
    return found


MODULES = {module_name(path) for path in SOURCES}


@cache
def all_imports() -> dict[str, list[tuple[str, bool]]]:
    """Return what each module imports; seconds of work, so not while tests are collected."""
    return {module_name(path): imports(path) for path in SOURCES}


def test_every_module_has_its_place():
    placed = {layer_of(module) for module in MODULES - {"pipeline"}}
    assert placed == set(RANK)  # a new one: give it its place in LAYERS


def test_no_stage_imports_a_later_one():
    arrows = [
        (module, name)
        for module, found in all_imports().items()
        for name, _lazy in found
        if module != "pipeline"  # it names what notebooks use, and nothing imports from it
        if name in MODULES and RANK[layer_of(name)] > RANK[layer_of(module)]
    ]
    commands = ("keeping", "nights", "revising")  # a command starts the flow
    starts = {(f"pipeline.commands.{name}", "flows.launch") for name in commands}
    starts.add(("pipeline.commands.watching", "flows.serving"))
    starts.add(("pipeline.commands.shared", "flows.launch"))  # what its options may ask for
    assert set(arrows) == starts


def test_the_list_of_imports_sees_every_spelling(tmp_path):
    file = tmp_path / "sample.py"
    file.write_text(
        "import pipeline.cli\ndef f():\n    from pipeline.nights import night as work\n"
    )
    assert imports(file) == [("pipeline.cli", False), ("pipeline.nights.night", True)]


def test_no_import_cycles():
    graph = {
        module: {name for name, lazy in found if name in MODULES and not lazy}
        for module, found in all_imports().items()
    }
    while leaves := {module for module, needs in graph.items() if not needs & graph.keys()}:
        graph = {module: needs for module, needs in graph.items() if module not in leaves}
    assert sorted(graph) == []


def test_science_knows_nothing_of_stores():
    arrows = [
        (module, name)
        for module, found in all_imports().items()
        for name, _lazy in found
        if layer_of(module) in SCIENCE and layer_of(name) in STORES
    ]
    assert arrows == []


def test_only_the_flows_know_prefect_and_only_the_command_its_library():
    knows = {
        library: {
            m for m, found in all_imports().items() for n, _ in found if layer_of(n) == library
        }
        for library in ("prefect", "distributed", "typer", "numpy", "xarray", "icechunk")
    }
    assert {module.split(".")[0] for module in knows["prefect"]} == {"flows"}
    assert knows["distributed"] == {"flows.cluster"}
    assert {layer_of(module) for module in knows["typer"]} == {"cli", "commands"}
    scientific = knows["numpy"] | knows["xarray"] | knows["icechunk"]
    assert [module for module in scientific if module.startswith("flows")] == []


def test_no_assert_outside_tests():
    # `python -O` drops it, and a user would meet an AssertionError without words.
    asserts = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in SOURCES
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Assert)
    ]
    assert asserts == []


def test_files_stay_small_and_packages_empty():
    texts = {path.relative_to(ROOT): path.read_text(encoding="utf-8") for path in PYTHON_FILES}
    assert {path for path, text in texts.items() if text.count("\n") >= MAX_LINES} == set()
    packages = {path: text for path, text in texts.items() if path.name == "__init__.py"}
    # The one exception: `from pipeline import open_site`, which loads nothing by itself.
    assert {str(path) for path, text in packages.items() if text.strip()} == {
        "pipeline/__init__.py"
    }
    assert len(packages) > 5  # the list was made rightly


def test_files_to_be_begun_first_are_there():
    named = dear_files.FIRST
    assert [name for name in named if not (ROOT / "tests" / name).is_file()] == []
    assert len(set(named)) == len(named)


def test_no_file_knows_a_particular_machine():
    folder = re.compile(r"""["'](/(?:work|home|root|Users|mnt)/[^"']*)""")
    found = [
        (str(path.relative_to(ROOT)), match)
        for path in PYTHON_FILES
        for match in folder.findall(path.read_text(encoding="utf-8"))
    ]
    assert found == []


def test_nothing_that_runs_data_as_code():
    """No pickles, no evaluation: what a file or a store holds is never run."""
    words = re.compile(
        r"^\s*(?:import|from)\s+(?:pickle|cPickle|dill|cloudpickle|shelve|marshal)\b"
        r"|(?<![\w.])(?:eval|exec)\(|\.(?:loads?_pickle|read_pickle|to_pickle)\(|allow_pickle=True"
        r"|shell=True|yaml\.load\(",
        re.MULTILINE,
    )
    assert words.search("x = eval('1')")
    found = [
        f"{path.name}: {match.group().strip()}"
        for folder in (ROOT / "pipeline", ROOT / "flows")
        for path in sorted(folder.rglob("*.py"))
        for match in words.finditer(path.read_text(encoding="utf-8"))
    ]
    assert found == []
