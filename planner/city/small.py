"""A small invented town, proposed once by the process that workers are forked from.

Whatever a process loads with its first part (compiled walks, numbers of a book, how tables are
told to arrow, coordinate systems) is loaded then: each worker would else spend 0.4 s on it,
and one that takes a killed one's place would spend it while all others wait for its part.
"""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from planner.city.pool import PlainLoop
from planner.city.run import HOME, Job, propose_parts
from planner.city.split import split_town
from planner.contracts import DECISIONS
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.project import read_project
from planner.tables import empty

_FILES = {
    "planner.toml": """
[project]
name = "Small town"
first_day = "2026-01-12"
[pipes]
file = "pipes.geojson"
columns = {size = "dn"}
[[inspections]]
file = "surveys.csv"
""",
    "systems.toml": """
[[system]]
system = "felt"
cure = "ambient"
supply = "mix_on_site"
carrier = "felt"
[[system.size]]
dn_from_mm = 100
dn_to_mm = 300
wall_mm = 4
plies = 3
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
dn_to_mm = 300
usable_m = 2.2
reach_m = 60
cures = ["ambient"]
""",
    "prices.toml": """
[[price]]
price_id = "a"
item = "sleeve"
each = 1200.00
included_m = 1.0
extra_per_m = 260.00
""",
}
_CRS = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
_PIPES, _LENGTH_M, _STEP_M = 100, 40.0, 4.0
_CODES = ("BAB,B,B,4", "BAC,A,A,", "BAJ,B,,20", "BBA,A,,15", "BBB,B,,5", "BCA,A,A,150", "BDB,,,")
"""Damage, conditions, a connection and a remark, in the words of EN 13508-2."""


def propose_small() -> None:
    """Take a small town of enough spans for every walk the way of a city's parts, and forget it.

    Raises
    ------
    OSError, PlannerError
        If no folder may be written for it, or it cannot be proposed.
    """
    with tempfile.TemporaryDirectory(prefix="sleeveplan-") as home:
        folder = Path(home).resolve()
        for name, text in (_FILES | {"pipes.geojson": _pipes(), "surveys.csv": _surveys()}).items():
            (folder / name).write_text(text, "utf-8")
        (folder / HOME).mkdir()
        inputs = read_project(folder)
        town = split_town(inputs, NOTHING_KNOWN, empty(DECISIONS))
        propose_parts(
            Job(folder / HOME, inputs, town, PlainLoop(), lambda _: None), NOTHING_KNOWN
        )


def _pipes() -> str:
    """Draw one line of pipes, each from a manhole to the next."""

    def drawn(number: int) -> dict[str, Any]:
        ends = [[400_000.0 + _LENGTH_M * at, 5_700_000.0] for at in (number, number + 1)]
        own = {"pipe_id": f"P{number}", "us_node": f"N{number}", "ds_node": f"N{number + 1}",
               "dn": "200", "material": "concrete"}  # fmt: skip
        shape = {"type": "LineString", "coordinates": ends}
        return {"type": "Feature", "properties": own, "geometry": shape}

    features = [drawn(number) for number in range(_PIPES)]
    return json.dumps({"type": "FeatureCollection", "crs": _CRS, "features": features})


def _surveys() -> str:
    """Code every pipe from end to end, what was seen lying too far apart to be one span."""
    rows = ["inspection_id,pipe_id,start_node,date,s_m,code,char1,char2,q1"]
    for number in range(_PIPES):
        run = f"R{number},P{number},N{number},2025-05-01"
        rows.append(f"{run},0,BCD,A,,")
        seen = range(1, int(_LENGTH_M / _STEP_M))
        rows += [f"{run},{n * _STEP_M},{_CODES[(number + n) % len(_CODES)]}" for n in seen]
        rows.append(f"{run},{_LENGTH_M - 0.8},BCE,A,,")
    return "\n".join(rows) + "\n"
