"""A small invented part of a city, proposed once by the process that workers are forked from.

Whatever a process loads with its first part (compiled walks, numbers of a book, how tables are
told to arrow, coordinate systems) is loaded then: each worker would else spend 0.4 s on it,
and one that takes a killed one's place would spend it while all others wait for its part.
Nothing of how projects are read is loaded: no worker reads one.
"""

from __future__ import annotations

import tempfile
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.city.code import code_mark
from planner.city.filing import read_frame, write_frame, write_json
from planner.city.numbers import KINDS, number_pipes
from planner.city.rows import write_rows
from planner.city.split import split_town
from planner.city.whole import write_whole
from planner.city.work import JOB, number_work, part_folder, part_work
from planner.contracts import (
    ADDRESSES,
    DECISIONS,
    GRADE_STEPS,
    INSPECTIONS,
    OBSERVATIONS,
    PIPES,
    PRICE_EDITS,
    TABLES,
)
from planner.ground.ids import NOTHING_KNOWN, highest_in
from planner.held import Held
from planner.inputs.inputs import HELD, Inputs
from planner.inputs.specs import RulesSpec
from planner.screening.grades import GradeTables
from planner.settings import load_settings
from planner.tables import conform, empty

_CRS = "EPSG:25832"
_PIPES, _LENGTH_M, _STEP_M = 100, 40.0, 4.0
_SEEN: tuple[tuple[str, str, str, str, str, str, float], ...] = (
    ("BAB", "B", "B", "crack", "damage", "crack_mm", 4.0),
    ("BAC", "A", "A", "break", "damage", "break_mm", np.nan),
    ("BAJ", "B", "", "joint_offset", "damage", "offset_mm", 20.0),
    ("BBA", "A", "", "roots", "damage", "roots_pct", 15.0),
    ("BBB", "B", "", "deposit_attached", "condition", "deposit_pct", 5.0),
    ("BCA", "A", "A", "lateral", "place", "", 150.0),
    ("BDB", "", "", "note", "record", "", np.nan),
)
"""What the camera sees, in turn: code, char1, char2, mechanism, role, quantity and its figure."""
_SAID = ("code", "char1", "char2", "mechanism", "role", "quantity", "quantity_low")


def propose_small() -> None:
    """Take a part with enough spans for every walk the way of a city's parts, and forget it.

    Raises
    ------
    OSError, PlannerError
        If no folder may be written for it, or it cannot be proposed.
    """
    with tempfile.TemporaryDirectory(prefix="sleeveplan-") as folder:
        home, inputs = Path(folder).resolve(), _inputs()
        town = split_town(inputs, NOTHING_KNOWN, empty(DECISIONS))
        part = dict.fromkeys(("rows", "known", "asked", "key", "numbers"), "small")
        job: dict[str, Any] = {
            "code": code_mark(),
            "whole": write_whole(home, inputs),
            "listed": asdict(town.listed),
            "quantities": [],
            "parts": [part],
        }
        write_json(home / JOB, job)
        place = part_folder(home, job, 0)
        write_rows(place / "rows", town.part(0))
        write_frame(place / "known.parquet", town.known_of(0))
        part_work(str(home), 0)
        fresh = read_frame(place / "raw" / "fresh.parquet")
        (numbers,) = number_pipes([fresh], highest_in(NOTHING_KNOWN, KINDS))
        write_frame(place / "numbers.parquet", numbers)
        number_work(str(home), 0)


def _inputs() -> Inputs:
    """Give one line of pipes, each filmed once, and beside them nothing."""
    rows = {"pipes": _pipes(), "inspections": _runs(), "observations": _observations()}
    tables = {table.name: table for table in (*TABLES, PRICE_EDITS, ADDRESSES)}
    frames: dict[str, Any] = {
        one.name: empty(tables[one.name]) for one in fields(Inputs) if one.type == "pd.DataFrame"
    }
    return Inputs(
        folder=Path(),
        settings=load_settings(),
        rules=RulesSpec(),
        held={name: Held.of(rows.get(name, empty(table)), table) for name, table in HELD.items()},
        grade_tables={one.name: empty(GRADE_STEPS) for one in fields(GradeTables)},
        media={},
        source_crs=_CRS,
        local_crs=_CRS,
        read_count={},
        head_count={},
        forms=[],
        missing=[],
        hashes={},
        **frames,
    )


def _named(letter: str, count: int = _PIPES) -> list[str]:
    return [f"{letter}{number:03d}" for number in range(count)]


def _pipes() -> gpd.GeoDataFrame:
    """Give pipes from a manhole to the next, all alike."""
    nodes, at = _named("N", _PIPES + 1), 400_000.0 + _LENGTH_M * np.arange(_PIPES + 1)
    spots = np.stack([at, np.full(len(at), 5_700_000.0)], axis=1)
    told = {"pipe_id": _named("P"), "us_node": nodes[:-1], "ds_node": nodes[1:],
            "drawn_m": _LENGTH_M,
            "geometry": shapely.linestrings(np.stack([spots[:-1], spots[1:]], axis=1))}  # fmt: skip
    alike = {"shape": "circular", "height_mm": 200.0, "width_mm": 200.0, "dn_mm": 200.0,
             "material": "concrete"}  # fmt: skip
    pipes = gpd.GeoDataFrame(conform({**told, **alike}, PIPES))
    return pipes.set_crs(_CRS, allow_override=True)


def _runs() -> pd.DataFrame:
    """Give a complete run of each pipe from its upper manhole."""
    told = {"inspection_id": _named("R"), "pipe_ref": _named("P"), "start_node": _named("N")}
    alike = {"direction": "unknown", "date": "2025-05-01", "zero_at": "unknown",
             "surveyed_m": _LENGTH_M - 0.8, "complete": True, "laterals_coded": "yes",
             "scheme": "EN 13508-2", "row": 1}  # fmt: skip
    return conform({**told, **alike}, INSPECTIONS)


def _observations() -> pd.DataFrame:
    """Give what was seen, too far apart to be one span."""
    stations = np.arange(_STEP_M, _LENGTH_M - _STEP_M / 2.0, _STEP_M)
    runs = np.repeat(_named("R"), len(stations))
    count = len(runs)
    seen = zip(*(_SEEN[number % len(_SEEN)] for number in range(count)), strict=True)
    told = dict(zip(_SAID, seen, strict=True))
    rows = np.arange(1, count + 1)
    own = {"observation_id": [f"{run}#{row}" for run, row in zip(runs, rows, strict=True)],
           "inspection_id": runs, "s_m": np.tile(stations, _PIPES), "row": rows,
           "quantity_high": told["quantity_low"]}  # fmt: skip
    return conform({**own, **told}, OBSERVATIONS)
