"""The forms of a project with fixed names: crews, systems, prices, stock, done, decisions."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from planner.contracts import DECISIONS, NODES, PIPES
from planner.inputs.crews import read_crews
from planner.inputs.decisions import read_decisions
from planner.inputs.done import read_done
from planner.inputs.prices import read_prices, read_stock
from planner.inputs.references import check_done, check_systems
from planner.inputs.systems import read_systems
from planner.tables import DTYPES, conform

CREWS_TOML = """
[[crew]]
crew = "North"
steps = ["flow_control", "sleeve"]
systems = ["felt"]
packers = ["P1"]
yard_x = 1.0
yard_y = 2
van_resin_kg = 80
[[crew.shift]]
days = ["mon", "tue"]
start = "07:00"
end = "16:30"
[[crew.shift]]
days = ["fri"]
start = 06:30:00
end = 12:00:00

[[crew]]
crew = "Jet"
steps = ["clean"]
yard_x = 1
yard_y = 2
[[crew.shift]]
days = ["mon"]
start = "07:00"
end = "15:00"
"""
SYSTEMS_TOML = """
[[system]]
system = "felt"
cure = "ambient"
supply = "mix_on_site"
carrier = "felt"
[[system.size]]
dn_from_mm = 100
dn_to_mm = 200
wall_mm = 4
plies = 3
resin_kg_per_l = 1.05
lengths_m = [0.5, 1, 2.0]
[[system.size]]
dn_from_mm = 201
dn_to_mm = 300
wall_mm = 5
plies = 4
resin_kg_per_l = 1.05
lengths_m = [1.0]
[[system.process]]
dn_to_mm = 300
wall_c = 10
prepare_s = 1200
cure_s = 7200
finish_s = 600
[[packer]]
packer = "P1"
dn_from_mm = 100
dn_to_mm = 200
usable_m = 2.2
reach_m = 60
cures = ["ambient"]
"""
PRICES_TOML = """
[[price]]
price_id = "a"
item = "sleeve"
system = "felt"
dn_from_mm = 100
dn_to_mm = 200
each = 1234.56
included_m = 1.0
extra_per_m = 260
[[price]]
price_id = "b"
item = "dig"
dn_from_mm = 100
dn_to_mm = 200
each_cents = 780000
included_m = 0
extra_cents_per_m = 100
"""


def broken(text: str, path: list[Any], value: object) -> dict[str, Any]:
    """Parse TOML and put `value` at `path`."""
    raw = copy.deepcopy(tomllib.loads(text))
    spot: Any = raw
    for key in path[:-1]:
        spot = spot[key]
    spot[path[-1]] = value
    return raw


def test_crews_and_shifts() -> None:
    """07:00 is 7 x 3600 = 25200 s; 16:30 is 59400; 06:30 is 23400; 12:00 is 43200."""
    got = read_crews(tomllib.loads(CREWS_TOML))
    assert got.faults == []
    assert got.read_count == 2
    assert got.crews[["crew", "steps", "van_resin_kg"]].iloc[1].tolist() == [
        "North", "flow_control+sleeve", 80.0,
    ]  # fmt: skip
    north = got.shifts[got.shifts["crew"] == "North"]
    assert north[["weekday", "start_s", "end_s"]].to_numpy().tolist() == [
        ["fri", 23400, 43200], ["mon", 25200, 59400], ["tue", 25200, 59400],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("path", "value", "column", "crews", "shifts"),
    [
        (["crew", 0, "steps"], ["sleve"], "crew.steps", 1, 1),
        (["crew", 0, "steps"], [], "crew.steps", 1, 1),
        (["crew", 1, "crew"], "North", "crew.crew", 1, 3),
        (["crew", 0, "yard_x"], "x", "crew.yard_x", 1, 1),
        (["crew", 1, "shift"], "early", "crew.shift", 2, 3),
        (["crew", 1, "shift", 0], 3, "crew.shift", 2, 3),
        (["crew", 1, "shift", 0, "days"], ["monday"], "crew.shift.days", 2, 3),
        (["crew", 1, "shift", 0, "days"], "mon", "crew.shift.days", 2, 3),
        (["crew", 1, "shift", 0, "end"], "06:00", "crew.shift.start", 2, 3),
        (["crew", 1, "shift", 0, "start"], 7, "crew.shift.start", 2, 3),
        (["crew", 0, "shift", 1, "days"], ["mon"], "crew.shift.days", 2, 3),
    ],
)
def test_a_bad_crew_or_shift_is_refused_alone(
    path: list[Any], value: object, column: str, crews: int, shifts: int
) -> None:
    """Of 2 crews and 4 shifts the bad one goes, with its crew's shifts if it is a crew."""
    got = read_crews(broken(CREWS_TOML, path, value))
    assert [f.column for f in got.faults if f.lost] == [column]
    assert (len(got.crews), len(got.shifts)) == (crews, shifts)


def test_a_crew_without_a_yard_is_refused_with_one_line() -> None:
    """It has nowhere to start from."""
    raw = tomllib.loads(CREWS_TOML)
    del raw["crew"][0]["yard_y"]
    got = read_crews(raw)
    assert [(f.row, f.column) for f in got.faults if f.lost] == [(1, "crew.yard_y")]
    assert len(got.crews) == 1


def test_a_crew_without_a_shift_is_told() -> None:
    """It is kept, and it never works."""
    raw = tomllib.loads(CREWS_TOML)
    del raw["crew"][1]["shift"]
    got = read_crews(raw)
    assert len(got.crews) == 2
    assert [(f.row, f.lost) for f in got.faults] == [(2, False)]
    assert "never works" in got.faults[0].wanted


def test_systems_sizes_process_and_packers() -> None:
    """Children take their system's name; lists become one text."""
    got = read_systems(tomllib.loads(SYSTEMS_TOML))
    assert got.faults == []
    assert got.read_count == 1 + 2 + 1 + 1
    assert got.system_sizes["system"].tolist() == ["felt", "felt"]
    assert got.system_sizes["lengths_m"].tolist() == ["0.5+1+2.0", "1.0"]
    assert got.process["cure_s"].tolist() == [7200.0]
    assert got.packers["cures"].tolist() == ["ambient"]


@pytest.mark.parametrize(
    ("path", "value", "column", "left"),
    [
        (["system", 0, "cure"], "steam", "system.cure", (0, 0, 0, 1)),
        (["system", 0, "system"], "a+b", "system.system", (0, 0, 0, 1)),
        (["system", 0, "size", 0, "dn_from_mm"], 250, "system.size.dn_from_mm", (1, 1, 1, 1)),
        (["system", 0, "size", 1, "dn_from_mm"], 200, "system.size.dn_from_mm", (1, 1, 1, 1)),
        (["system", 0, "size", 0, "wall_mm"], 50, "system.size.wall_mm", (1, 1, 1, 1)),
        (["system", 0, "size", 0, "lengths_m"], [0], "system.size.lengths_m", (1, 1, 1, 1)),
        (["system", 0, "size", 0, "lengths_m"], ["long"], "system.size.lengths_m", (1, 1, 1, 1)),
        (["system", 0, "size", 0], 3, "system.size", (1, 1, 1, 1)),
        (["system", 0, "process", 0, "cure_s"], 0, "system.process.cure_s", (1, 2, 0, 1)),
        (["packer", 0, "cures"], ["steam"], "packer.cures", (1, 2, 1, 0)),
        (["packer", 0, "dn_to_mm"], 50, "packer.dn_from_mm", (1, 2, 1, 0)),
    ],
)
def test_a_bad_record_of_a_system_is_refused(
    path: list[Any], value: object, column: str, left: tuple[int, int, int, int]
) -> None:
    """Left: systems, sizes, process rows, packers. Sizes of a refused system go with it."""
    got = read_systems(broken(SYSTEMS_TOML, path, value))
    tables = (got.systems, got.system_sizes, got.process, got.packers)
    assert tuple(len(table) for table in tables) == left
    assert got.faults[0].column == column
    lost = {(f.row, f.column.rpartition(".")[0] or f.column) for f in got.faults if f.lost}
    assert got.read_count == sum(left) + len(lost)


def test_amounts_become_whole_cents() -> None:
    """1234.56 is 123456 cents, not 123455 as a float's floor would have it."""
    got = read_prices(tomllib.loads(PRICES_TOML))
    assert got.faults == []
    assert got.prices["each_cents"].tolist() == [123456, 780000]
    assert got.prices["extra_cents_per_m"].tolist() == [26000, 100]


@pytest.mark.parametrize(
    ("path", "value", "column"),
    [
        (["price", 0, "each"], 12.345, "price.each"),
        (["price", 0, "each"], "12", "price.each"),
        (["price", 0, "each"], -1, "price.each"),
        (["price", 0, "each"], float("nan"), "price.each"),
        (["price", 1, "each_cents"], 1.5, "price.each_cents"),
        # 64 bits hold up to 2^63 - 1; nobody pays so much, and no table must break by it.
        (["price", 1, "each_cents"], 2**63, "price.each_cents"),
        (["price", 1, "each_cents"], 1e300, "price.each_cents"),
        (["price", 0, "each"], 10**400, "price.each"),
        (["price", 0, "included_m"], 10**400, "price.included_m"),
        (["price", 0, "item"], "sleve", "price.item"),
        (["price", 1, "price_id"], "a", "price.price_id"),
        (["price", 0, "dn_from_mm"], 300, "price.dn_from_mm"),
        (["price", 0], "cheap", "price"),
    ],
)
def test_a_bad_price_is_refused(path: list[Any], value: object, column: str) -> None:
    """Fractions of a cent, other items, ids used twice: the other price stays."""
    got = read_prices(broken(PRICES_TOML, path, value))
    assert [f.column for f in got.faults] == [column]
    assert len(got.prices) == 1
    assert got.read_count == 2


@pytest.mark.parametrize(
    ("read", "key"), [(read_crews, "crew"), (read_systems, "system"), (read_prices, "price")]
)
def test_a_file_of_another_shape_is_told(read: Callable[[dict[str, Any]], Any], key: str) -> None:
    """A key for a list of tables, and a key nobody knows, are faults and no crash."""
    assert [f.column for f in read({key: "x"}).faults] == [key]
    got = read({key + "s": []})
    assert [(f.column, f.lost) for f in got.faults] == [(key + "s", False)]
    assert f"did you mean {key}?" in got.faults[0].wanted
    assert read({}).faults == []


def put(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_stock_needs_what_its_item_needs(tmp_path: Path) -> None:
    """A sleeve has size, length and count; resin has a mass."""
    text = (
        "item,system,dn_mm,length_m,pieces_count,mass_kg\n"
        "sleeve,felt,200,1.0,3,\nresin,felt,,,,120\nsleeve,felt,200,,3,\nresin,felt,,,,\n"
    )
    stock, faults = read_stock(put(tmp_path, "stock.csv", text))
    assert stock["item"].tolist() == ["sleeve", "resin"]
    assert [(f.row, f.column) for f in faults] == [(4, "length_m"), (5, "mass_kg")]


def test_done_rows_are_matched_by_place(tmp_path: Path) -> None:
    """Blank ends mean the whole pipe; a node stands for itself; halves are refused."""
    text = (
        "step,pipe_id,node_id,from_m,to_m,done_on,by\n"
        "clean,P1,,,,2026-01-02,NA\n"
        "look,P1,,2,5.5,2026-01-02,me\n"
        "check_access,,N1,,,2026-01-02,me\n"
        "clean,,N1,,,2026-01-02,me\n"
        "clean,,,,,2026-01-02,me\n"
        "clean,P1,,5,2,2026-01-02,me\n"
        "clean,P1,,5,,2026-01-02,me\n"
        "clean,P1,,,,,me\n"
    )
    done, faults = read_done(put(tmp_path, "done.csv", text))
    assert done["done_id"].tolist() == ["done.csv:2", "done.csv:3", "done.csv:4"]
    assert done["by"][0] == "NA"
    assert [(f.row, f.column) for f in sorted(faults, key=lambda f: f.row)] == [
        (5, "pipe_id"), (6, "pipe_id"), (7, "from_m"), (8, "from_m"), (9, "done_on"),
    ]  # fmt: skip


def test_done_rows_of_pipes_that_are_not_there_are_refused(tmp_path: Path) -> None:
    """A slip in an id would else leave a work undone in silence."""
    text = (
        "step,pipe_id,node_id,done_on,by\nclean,P1,,2026-01-02,me\nclean,P9,,2026-01-02,me\n"
        "check_access,,N9,2026-01-02,me\n"
    )
    done, _ = read_done(put(tmp_path, "done.csv", text))
    pipes = conform([{"pipe_id": "P1"}], PIPES)
    nodes = conform([{"node_id": "N1", "access": "open"}], NODES)
    left, faults = check_done(done, pipes, nodes)
    assert left["row"].tolist() == [2]
    assert [(f.row, f.found) for f in faults] == [(3, "P9"), (4, "N9")]


def test_names_that_no_system_has_are_told() -> None:
    """A crew's packer and a price's system that systems.toml lacks; nothing is lost."""
    systems = read_systems(tomllib.loads(SYSTEMS_TOML))
    crews = read_crews(broken(CREWS_TOML, ["crew", 0, "packers"], ["P2"]))
    prices = read_prices(broken(PRICES_TOML, ["price", 0, "system"], "fell")).prices
    stock = pd.DataFrame({"system": ["felt", "glass"]})
    faults = check_systems(systems, crews, prices, stock)
    assert [(f.file, f.column, f.lost) for f in faults] == [
        ("crews.toml", "crew.packers", False),
        ("prices.toml", "price.system", False),
        ("stock.csv", "system", False),
    ]
    assert "did you mean felt?" in faults[1].wanted
    assert check_systems(read_systems({}), crews, prices, stock) == []


def test_decisions_in_the_order_of_the_form(tmp_path: Path) -> None:
    """The store numbers them; until then the version is 0."""
    text = (
        "pipe_id,span_id,decision,by,on,reason\n"
        "P2,,accept,Ada,2026-01-05,fine\n"
        "P1,D-000001,sleeve,Ada,2026-01-05,-\n"
        "P1,D-000001,accept,Ada,2026-01-05,x\n"
        "P1,,liner,Ada,2026-01-05,x\n"
        "P1,,accept,,2026-01-05,x\n"
        "P1,,approve,Ada,2026-01-05,x\n"
        "P1,,accept,Ada,2026-01-05,\n"
    )
    decisions, faults = read_decisions(put(tmp_path, "d.csv", text))
    # A method without a span is another way for the whole pipe.
    assert decisions["pipe_id"].tolist() == ["P2", "P1", "P1"]
    assert decisions["version"].tolist() == [0, 0, 0]
    assert decisions["reason"].tolist() == ["fine", "-", "x"]
    assert [str(decisions[c].dtype) for c in DECISIONS.names] == [
        DTYPES[column.kind] for column in DECISIONS.columns
    ]
    assert [(f.row, f.column) for f in sorted(faults, key=lambda f: f.row)] == [
        (4, "span_id"), (6, "by"), (7, "decision"), (8, "reason"),
    ]  # fmt: skip
