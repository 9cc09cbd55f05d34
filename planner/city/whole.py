"""What every part of a city is told: settings, rulebook, systems, prices, grade tables."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

from planner.city.code import code_mark
from planner.city.filing import (
    digest_of,
    fill_aside,
    read_frame,
    read_record,
    read_shared,
    write_frame,
    write_json,
    write_record,
)
from planner.city.rows import PartRows
from planner.contracts import PRICE_EDITS, TABLES
from planner.contracts.verdicts import PACKAGED_BOOKS
from planner.held import Held
from planner.inputs.inputs import HELD, Inputs
from planner.inputs.specs import RulesSpec
from planner.marks import row_marks
from planner.settings import Settings, load_settings
from planner.tables import empty

KEPT = (
    "systems", "system_sizes", "materials", "parts", "process", "pressure_steps",
    "order_of_work", "conditions", "packers", "prices",
)  # fmt: skip
"""Tables of `Inputs` that placement and choice look up; the others no part needs whole."""
_CONTRACTS = {table.name: table for table in (*TABLES, PRICE_EDITS)}
_BOOK = "book.toml"
_OF_OTHERS = ("flow", "week", "budget", "takeoff", "city")
"""Sections of the settings that nothing up to the choices reads."""


def _frames(inputs: Inputs) -> dict[str, pd.DataFrame]:
    """Give the tables of `inputs`; those that are not kept without rows."""
    found = {one.name: getattr(inputs, one.name) for one in fields(inputs)}
    frames = {name: frame for name, frame in found.items() if isinstance(frame, pd.DataFrame)}
    return {name: f if name in KEPT else f.iloc[:0] for name, f in frames.items()}


def _own_settings(settings: Settings) -> Settings:
    """Give the settings with those of later steps as they are packaged: no part hangs on them."""
    plain = load_settings()
    others = {name: getattr(plain, name) for name in _OF_OTHERS}
    origins = {
        key: plain.origins[key] if key.split(".")[0] in others else origin
        for key, origin in settings.origins.items()
    }
    return settings.model_copy(update={**others, "origins": origins})


def write_whole(home: Path, inputs: Inputs) -> str:
    """Write what all parts need into ``whole/DIGEST``, if it is not there; give the digest."""
    frames, book = _frames(inputs), inputs.rules.book
    own_book = "" if book in PACKAGED_BOOKS else Path(book).read_text("utf-8")
    names = {"source_crs": inputs.source_crs, "local_crs": inputs.local_crs}
    values: dict[str, Any] = {
        "settings": _own_settings(inputs.settings).model_dump_json(),
        "rules": inputs.rules.model_dump_json(),
        "names": names,
        "tables": sorted(frames),
        "grades": sorted(inputs.grade_tables),
    }
    marks = {name: row_marks(frame) for name, frame in frames.items() if name in KEPT}
    marks |= {f"grade {name}": row_marks(frame) for name, frame in inputs.grade_tables.items()}
    rules = inputs.rules.model_copy(update={"book": book if not own_book else _BOOK})
    said = {**values, "rules": rules.model_dump_json()}
    texts = {"said": json.dumps(said, sort_keys=True), "book": own_book, "code": code_mark()}
    digest = digest_of({**marks, **texts})

    def fill(part: Path) -> None:
        for name, frame in frames.items():
            write_frame(part / f"{name}.parquet", frame)
        for name, frame in inputs.grade_tables.items():
            write_frame(part / f"grade-{name}.parquet", frame)
        if own_book:
            (part / _BOOK).write_text(own_book, "utf-8")
        write_json(part / "said.json", said)
        write_record(part, {})

    target = home / "whole" / digest
    if not read_record(target):
        fill_aside(target, fill)
    return digest


@lru_cache(maxsize=1)
def read_whole(home: Path, digest: str) -> Inputs:
    """Read what `write_whole` wrote: inputs without pipes, runs and rows; a worker reads it once.

    Raises
    ------
    CityError
        If it is not there, as where a host does not see the project's folder.
    """
    folder = home / "whole" / digest
    said = read_shared(folder / "said.json")
    frames: dict[str, Any] = {name: read_frame(folder / f"{name}.parquet", _CONTRACTS.get(name))
              for name in said["tables"]}  # fmt: skip
    rules = RulesSpec.model_validate_json(said["rules"])
    if rules.book == _BOOK:
        rules = rules.model_copy(update={"book": str(folder / _BOOK)})
    return Inputs(
        folder=home.parent,
        settings=Settings.model_validate_json(said["settings"]),
        rules=rules,
        grade_tables={name: read_frame(folder / f"grade-{name}.parquet")
                      for name in said["grades"]},
        media={},
        read_count={},
        head_count={},
        forms=[],
        missing=[],
        hashes={},
        held={name: Held.of(empty(table), table) for name, table in HELD.items()},
        **said["names"],
        **frames,
    )  # fmt: skip


def part_inputs(whole: Inputs, part: PartRows) -> Inputs:
    """Put the rows of one part into what all parts are told."""
    tables = part.tables
    return replace(whole, held=part.held, as_built=tables["as_built"], measured=tables["measured"])
