"""The house: what is public is explained, with its units, and nothing grows past reading.

Read from the text of each module, so that what no test imports is held too.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from planner.contracts import SUFFIXES

ROOT = Path(__file__).resolve().parents[1] / "planner"
MODULES = sorted(ROOT.rglob("*.py"))
# A little over "about 400" and "about 50" of DEVELOPERS.md: a line more is no fault, a step is.
MOST_LINES, MOST_IN_FUNCTION = 450, 60
EMPTY_NAMES = ("utils", "helpers", "common", "core", "base", "manager", "service")
# A number's unit stands in its name, or in brackets in the words about it.
UNIT = re.compile(r"\[[^\]]{1,30}\]|%|degree|percentage")
WORDS = {"ratio", "share", "metres", "seconds", "lon", "lat", "index"}
# These take figures of any quantity: the column that they come from has the unit.
ANY_QUANTITY = {
    "screening/bands.py", "screening/flip_paths.py", "screening/intervals.py",
    "screening/explain.py", "tables.py", "units.py",
}  # fmt: skip
PUBLIC_FUNCTIONS = 900
# Functions that only tests use, and why they stand in the package all the same.
ONLY_TESTED = {
    # Formulas of a published set, held against their sources: the ones in use are checked by them.
    "gifft_most_factor", "gifft_least_factor", "gifft_span_factor", "infiltration_by_area_l_s",
    "wetted_perimeter_m", "colebrook_full_m_s", "lined_capacity_ratio", "free_storage_m3",
    "geodesic_m", "point_at", "upstream_pipes", "downstream_pipes",
    # Readable twins of compiled or gathered ones.
    "place_plainly", "list_options", "count_quantities", "union_tables",
    # What a person asks in a notebook or a shell.
    "describe", "default_path",
}  # fmt: skip
# What another program calls by its name in a module that it is told of.
CALLED_BY_NAME = {"dask_setup"}
# Where a library may be imported.
HOMES = {
    "folium": {"outputs"}, "branca": {"outputs"}, "typst": {"outputs"}, "xlsxwriter": {"outputs"},
    "openpyxl": {"inputs"}, "pyvrp": {"crews"}, "ortools": {"crews"},
    "highspy": {"crews", "repairs"},  # a week's bound, and a budget: no chapter imports another
    "starlette": {"review"}, "distributed": {"city"}, "dask": {"city"},
    "adbc_driver_manager": {"ground"}, "pint": {"units"}, "networkx": {"ground"},
}  # fmt: skip
# The record of a run says when; the page gives its edits their instant; what a form or command
# is given without a day is of today.
CLOCKS = {"cli.py", "outputs/record.py", "review/live.py"}
CLOCK = re.compile(
    r"(.*\.)?(date(time)?\.(now|today|utcnow)|time\.(time(_ns)?|strftime|localtime|gmtime))"
)
SECTION = re.compile(r"^(\w[\w ]*)\n-{3,}$", re.M)


@dataclass(frozen=True)
class Thing:
    """A class or function, where it stands, and the words about it."""

    where: str
    node: ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    words: str
    of_class: str = ""


def things(path: Path, *, public: bool) -> Iterator[Thing]:
    """Give the classes and functions of a module; with `public` only what others may use."""
    yield from _inside(ast.parse(path.read_text("utf-8")), path.relative_to(ROOT), "", public)


def _inside(node, path, of_class, public):
    for one in node.body:
        if not isinstance(one, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if public and one.name.startswith("_"):
            continue
        yield Thing(f"{path}: {one.name}", one, ast.get_docstring(one) or "", of_class)
        if isinstance(one, ast.ClassDef):
            yield from _inside(one, path, ast.get_docstring(one) or "", public)


def arguments(node: ast.FunctionDef) -> list[ast.arg]:
    every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return [one for one in every if one.arg not in ("self", "cls")]


def section(words: str, name: str) -> str:
    """The text of one section of a numpydoc docstring; '' if there is none."""
    parts = SECTION.split(words)
    return dict(zip(parts[1::2], parts[2::2], strict=True)).get(name, "")


def named(words: str) -> set[str]:
    """The arguments that the section of parameters speaks of."""
    lines = [line for line in section(words, "Parameters").splitlines() if line[:1].strip()]
    return {name.strip(" *") for line in lines for name in line.split(" : ")[0].split(",")}


def unsaid(path: Path) -> list[str]:
    """The numbers of public functions whose unit is said neither by name nor in words."""
    if path.relative_to(ROOT).as_posix() in ANY_QUANTITY:
        return []
    return [
        f"{thing.where}({one.arg})"
        for thing in things(path, public=True)
        if isinstance(thing.node, ast.FunctionDef)
        for one in arguments(thing.node)
        if one.annotation and ast.unparse(one.annotation) in ("float", "float | None")
        and not one.arg.endswith(tuple(SUFFIXES)) and one.arg not in WORDS
        and not UNIT.search(thing.words + thing.of_class)
    ]  # fmt: skip


def test_the_walk_finds_the_package() -> None:
    """Else the tests below would pass over nothing: there are some 2,000 public things."""
    found = [thing for path in MODULES for thing in things(path, public=True)]
    assert len(MODULES) > 300
    assert sum(isinstance(one.node, ast.FunctionDef) for one in found) > PUBLIC_FUNCTIONS


@pytest.mark.parametrize("what", ["modules", "things"])
def test_all_that_is_public_is_explained_in_a_sentence(what: str) -> None:
    """A first line that is a sentence: it ends with a point, and is more than the name."""
    if what == "modules":
        words = {str(p): ast.get_docstring(ast.parse(p.read_text("utf-8"))) or "" for p in MODULES}
    else:
        words = {one.where: one.words for p in MODULES for one in things(p, public=True)}
    bare = [where for where, text in words.items() if not text.split("\n\n")[0].endswith(".")]
    assert bare == []
    short = [where for where, text in words.items() if len(text.split()) < 2]
    assert short == []


def test_sections_of_parameters_name_no_argument_that_is_gone() -> None:
    """What was renamed or taken away is not explained any more."""
    gone = [
        f"{thing.where}: {', '.join(sorted(more))}"
        for path in MODULES
        for thing in things(path, public=False)
        if isinstance(thing.node, ast.FunctionDef)
        and (more := named(thing.words) - _every_name(thing.node))
    ]
    assert gone == []


def _every_name(node: ast.FunctionDef) -> set[str]:
    beside = [one.arg for one in (node.args.vararg, node.args.kwarg) if one]
    return {*(one.arg for one in arguments(node)), *beside}


def test_numbers_that_functions_take_say_their_unit() -> None:
    """In the name (`from_m`, by the list of `SUFFIXES`), or in brackets in the words."""
    assert [one for path in MODULES for one in unsaid(path)] == []


@pytest.mark.parametrize(
    ("text", "count"),
    [("def f(x: float) -> None:\n    'Do.'\n", 1), ("def f(x_m: float) -> None:\n    'Do.'\n", 0),
     ("def f(x: float) -> None:\n    'Do [m].'\n", 0), ("def _f(x: float) -> None: ...\n", 0)],
)  # fmt: skip
def test_a_number_without_its_unit_would_be_found(
    tmp_path: Path, text: str, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of four made-up functions the first alone says no unit."""
    monkeypatch.setattr(f"{__name__}.ROOT", tmp_path)
    (tmp_path / "m.py").write_text(text)
    assert len(unsaid(tmp_path / "m.py")) == count


def test_no_module_or_function_outgrows_reading() -> None:
    """Lines of a function are counted without its docstring."""
    long = [f"{path}: {count}" for path in MODULES
            if (count := len(path.read_text("utf-8").splitlines())) > MOST_LINES]  # fmt: skip
    for path in MODULES:
        for thing in things(path, public=False):
            if isinstance(thing.node, ast.ClassDef):
                continue
            first = thing.node.body[0]
            words = first.end_lineno - first.lineno + 1 if thing.words else 0
            count = thing.node.end_lineno - thing.node.lineno + 1 - words
            if count > MOST_IN_FUNCTION:
                long.append(f"{thing.where}: {count}")
    assert long == []


def test_no_module_has_a_name_that_says_nothing() -> None:
    """DEVELOPERS.md lists them."""
    parts = {part for path in MODULES for part in path.relative_to(ROOT).with_suffix("").parts}
    assert parts.isdisjoint(EMPTY_NAMES)


def test_each_public_function_is_used_or_said_to_be_for_tests() -> None:
    """By its name anywhere in the package; commands and rules of settings hang on a decorator."""
    trees = [ast.parse(path.read_text("utf-8")) for path in MODULES]
    used = {one.id for tree in trees for one in ast.walk(tree) if isinstance(one, ast.Name)}
    used |= {one.attr for tree in trees for one in ast.walk(tree) if isinstance(one, ast.Attribute)}
    unused = {
        thing.node.name
        for path in MODULES
        for thing in things(path, public=True)
        if isinstance(thing.node, ast.FunctionDef) and not thing.node.decorator_list
    } - used
    assert unused - ONLY_TESTED - CALLED_BY_NAME - _named_in_texts() == set()
    assert ONLY_TESTED & used == set()


def _named_in_texts() -> set[str]:
    """What `pyproject.toml` starts by its name."""
    text = (ROOT.parent / "pyproject.toml").read_text("utf-8")
    return set(re.findall(r'"planner\.\w+:(\w+)"', text))


def test_the_reading_order_names_each_chapter_and_nothing_that_is_gone() -> None:
    """`planner/__init__.py` tells the story: what stands in backticks or begins a row is there."""
    words = ast.get_docstring(ast.parse((ROOT / "__init__.py").read_text("utf-8"))) or ""
    rows = re.findall(r"^   ([a-z_]+) +\S", words, re.M)
    modules = {path.stem for path in MODULES} | {path.parent.name for path in MODULES}
    told = {name.rpartition(".")[2] for name in re.findall(r"`([a-z_.]+)`", words)}
    assert (told | set(rows)) - modules == set()
    chapters = {path.parent.name for path in ROOT.glob("*/__init__.py")}
    assert chapters - set(rows) - told == set()


def test_developers_md_names_the_layers_of_the_contract() -> None:
    """The same names in the same order as import-linter holds, layer by layer."""
    root = ROOT.parent
    kept = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]
    layers = [set(one.split(" | ")) for one in kept["contracts"][0]["layers"]]
    text = (root / "DEVELOPERS.md").read_text("utf-8")
    line = text.partition("**Layers**:")[2].partition("Chapters")[0]
    told = [set(re.findall(r"\w+", one)) for one in re.split(r"\s>\s", line)]
    assert told == layers


def test_each_library_is_imported_in_its_chapter_alone() -> None:
    """So that one of them can be changed for another in one place."""
    found: dict[str, set[str]] = {name: set() for name in HOMES}
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [one.name for one in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in {one.partition(".")[0] for one in names} & set(HOMES):
                found[name].add(path.relative_to(ROOT).with_suffix("").parts[0])
    assert {name: homes - HOMES[name] for name, homes in found.items() if homes - HOMES[name]} == {}
    assert [name for name, homes in found.items() if not homes and name != "dask"] == []


def test_nothing_reads_the_clock_but_what_may() -> None:
    """Seeds and days are arguments: the same inputs give the same plan on any day."""
    reads = {
        path.relative_to(ROOT).as_posix()
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and CLOCK.fullmatch(ast.unparse(node.func))
    }
    assert reads == CLOCKS
