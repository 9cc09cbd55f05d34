"""The skeleton of a project: valid, complete, and never written over anything."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from planner.contracts import (
    CLOSED,
    CREWS,
    MATERIALS,
    ORDER_OF_WORK,
    PACKERS,
    PARTS,
    PERMITS,
    PRESSURE_STEPS,
    PRICES,
    PROCESS,
    SYSTEM_SIZES,
    SYSTEMS,
    WEATHER,
    WINDOWS,
)
from planner.errors import FileError
from planner.inputs.decisions import read_decisions
from planner.inputs.done import read_done
from planner.inputs.prices import read_stock
from planner.inputs.sections import read_sections
from planner.inputs.skeleton import write_skeleton
from planner.settings import packaged


def uncommented(text: str) -> str:
    """Take the '#' off lines that are choices: keys and section heads."""
    return re.sub(r"(?m)^#\s*(?=\[|\"?[a-z][\w.-]*\"? = )", "", text)


def test_the_skeleton_is_valid_as_it_is(tmp_path: Path) -> None:
    """planner.toml is understood; the CSVs are forms that the readers take."""
    paths, _ = write_skeleton(tmp_path / "new")
    assert all(path.is_file() for path in paths)
    folder = tmp_path / "new"
    read_sections(tomllib.loads((folder / "planner.toml").read_text("utf-8")), {})
    for name, read in (
        ("done.csv", read_done), ("stock.csv", read_stock), ("decisions.csv", read_decisions)
    ):  # fmt: skip
        frame, faults = read(folder / name)
        assert (len(frame), faults) == (0, [])


def test_every_choice_in_it_is_known(tmp_path: Path) -> None:
    """With all comments taken off, planner.toml is still understood, settings unchanged."""
    write_skeleton(tmp_path)
    raw = tomllib.loads(uncommented((tmp_path / "planner.toml").read_text("utf-8")))
    got = read_sections(raw, {})
    assert set(got.layers) == {"pipes", "nodes", "laterals", "streets", "addresses"}
    for section in ("survey", "sleeving", "week"):
        assert getattr(got.settings, section).model_dump() == packaged()[section]


def test_every_key_of_the_contracts_is_shown(tmp_path: Path) -> None:
    """What a system, a packer and a price need stands there by name."""
    write_skeleton(tmp_path)
    systems = tomllib.loads(uncommented((tmp_path / "systems.toml").read_text("utf-8")))
    system = systems["system"][0]
    shown = {
        SYSTEMS: set(system) - {"size", "material", "part", "process", "pressure", "order"},
        SYSTEM_SIZES: set(system["size"][0]) | {"system"},
        MATERIALS: set(system["material"][0]) | {"system"},
        PARTS: set(system["part"][0]) | {"system"},
        PROCESS: set(system["process"][0]) | {"system"},
        PRESSURE_STEPS: set(system["pressure"][0]) | {"system", "seq", "refused"},
        ORDER_OF_WORK: set(system["order"][0]) | {"system", "seq", "refused", "source"},
        PACKERS: set(systems["packer"][0]),
    }
    assert all(set(table.names) == keys for table, keys in shown.items())
    prices = tomllib.loads(uncommented((tmp_path / "prices.toml").read_text("utf-8")))
    cents = {"each_cents", "extra_cents_per_m", "least_cents"}
    amounts = {"each", "extra_per_m", "least"}
    assert set(prices["price"][0]) == (set(PRICES.names) - cents) | amounts
    crews = tomllib.loads(uncommented((tmp_path / "crews.toml").read_text("utf-8")))
    assert crews["crew"][0]["shift"][0]["start"] == "07:00"
    clock = {"break_from", "break_to", "shift"}
    own = set(CREWS.names) - {"break_from_s", "break_to_s"}
    assert set(crews["crew"][0]) == own | clock
    hours = tomllib.loads(uncommented((tmp_path / "hours.toml").read_text("utf-8")))
    times = {"open", "close", "close_next_day"}
    own = set(WINDOWS.names) - {"weekday", "open_s", "close_s", "row"}
    assert set(hours["window"][0]) == own | times | {"days"}
    assert set(hours["permit"][0]) == set(PERMITS.names) - {"open_s", "close_s", "row"} | times
    assert set(hours["closed"][0]) == set(CLOSED.names) - {"row"}
    assert set(hours["weather"][0]) == set(WEATHER.names) - {"row"}


def test_nothing_is_written_over(tmp_path: Path) -> None:
    """One file that is there stops all of it."""
    (tmp_path / "prices.toml").write_text("mine")
    with pytest.raises(FileError, match=r"prices\.toml"):
        write_skeleton(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["prices.toml"]
    assert (tmp_path / "prices.toml").read_text() == "mine"
    with pytest.raises(FileError, match="no folder"):
        write_skeleton(tmp_path / "prices.toml")
