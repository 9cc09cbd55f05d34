"""What one changed pipe costs in a running process, beside the whole chain of the town.

The town is invented: the pipes of `tests.bench.locate`, a third of them filmed with about ten
coded rows each, with the systems and prices of the small project of the tests.
"""

from __future__ import annotations

import cProfile
import pstats
import tempfile
from dataclasses import replace
from pathlib import Path
from time import process_time

import geopandas as gpd
import numpy as np
import pandas as pd
from small_project import write_project

from planner.changed import Rescreened, Running
from planner.contracts import DECISIONS, NODES, OBSERVATIONS, PIPES
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.inputs import Inputs
from planner.inputs.project import read_project
from planner.propose import propose
from planner.tables import conform, empty
from tests.bench.budget import clocked
from tests.bench.frame import BenchResult
from tests.bench.locate import CRS, make_city

GOALS: dict[str, tuple[str, float]] = {
    "whole run / one changed pipe": (">=", 1000.0),
    "tables of the changed pipes that differ from a whole run": ("<=", 0.0),
    "changes after which a whole run was due": ("<=", 0.0),
}
FILMED = 3
CHANGES = 50
WARM = 300
SIZES_MM = (150.0, 200.0, 250.0, 300.0, 400.0)
STUFF = ("vitrified clay", "concrete", "pvc", "")


def run(size: int) -> BenchResult:
    """Propose a town of `size` pipes, change 50 one by one, and propose it once more with them.

    Times are CPU seconds of this process.
    """
    started = process_time()
    warm = make_town(WARM)
    change_some(warm, Running(warm, propose(warm, NOTHING_KNOWN, empty(DECISIONS)),
                              empty(DECISIONS)), 2)  # fmt: skip
    compile_s = process_time() - started
    make_s, inputs = clocked(lambda: make_town(size))
    whole_s, made = clocked(lambda: propose(inputs, NOTHING_KNOWN, empty(DECISIONS)))
    lay_s, running = clocked(lambda: Running(inputs, made, empty(DECISIONS)))
    seconds, changed, after = change_some(inputs, running, CHANGES)
    again_s, full = clocked(lambda: propose(after, made.known, empty(DECISIONS)))
    names = [name for one in changed for name in one.pipe_ids]
    # Fresh ids hang on what is changed together: for the comparison all is changed at once.
    at_once = Running(inputs, made, empty(DECISIONS))
    runs = after.inspections["inspection_id"][after.inspections["pipe_ref"].isin(names)]
    ours = at_once.rescreen(
        names,
        pipes=after.pipes[after.pipes["pipe_id"].isin(names)],
        observations=after.observations[after.observations["inspection_id"].isin(runs)],
    )
    theirs = Running(after, full, empty(DECISIONS)).rows_of(names)
    differ = sum(
        not _plain(rows).equals(_plain(theirs[name])) for name, rows in ours.tables.items()
    )
    one_s, most_s = float(np.median(seconds)), float(max(seconds))
    return BenchResult(
        rows=[
            row("compile and warm up", WARM, compile_s, ""),
            row("make the town", size, make_s, f"{len(inputs.observations)} coded rows"),
            row("whole run", size, whole_s, f"{len(made.tables['sleeves'])} sleeves"),
            row("whole run, ids known", size, again_s, "with all changes in it"),
            row("lay the run by pipe", size, lay_s, "once"),
            row("one changed pipe, median", 1, one_s, f"of {len(seconds)}; most {most_s:.3f} s"),
        ],
        ratios={
            "whole run / one changed pipe": whole_s / one_s,
            "tables of the changed pipes that differ from a whole run": float(differ),
            "changes after which a whole run was due": float(sum(bool(c.due) for c in changed)),
        },
        goals={name: list(goal) for name, goal in GOALS.items()},
    )


def _plain(rows: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame(rows).reset_index(drop=True)


def row(what: str, pipes: int, seconds: float, note: str) -> dict[str, object]:
    return {"what": what, "pipes": pipes, "seconds": round(seconds, 4), "note": note}


def make_town(size: int) -> Inputs:
    """Invent a town of `size` pipes, the same one each time."""
    city = make_city(10 * size)
    filmed = city.pipes["pipe_id"].iloc[::FILMED]
    runs = city.inspections[city.inspections["pipe_ref"].isin(filmed)]
    rows = city.observations[city.observations["inspection_id"].isin(runs["inspection_id"])]
    draw = np.random.default_rng(5)
    pipes = city.pipes.assign(
        dn_mm=draw.choice(SIZES_MM, size), material=draw.choice(STUFF, size), shape="circular"
    )
    ends = [(pipes[f"{end}_node"], at) for end, at in (("us", 0), ("ds", -1))]
    points = [pipes.geometry.apply(lambda line, at=at: _point(line, at)) for _, at in ends]
    nodes = gpd.GeoDataFrame(
        {"node_id": pd.concat([names for names, _ in ends], ignore_index=True), "access": "open"},
        geometry=pd.concat(points, ignore_index=True).to_numpy(),
        crs=CRS,
    )
    with tempfile.TemporaryDirectory() as folder:
        inputs = read_project(write_project(Path(folder) / "p"))
    inputs = inputs.with_rows(
        pipes=conform(pipes, PIPES),
        nodes=conform(nodes, NODES),
        inspections=runs.reset_index(drop=True),
        observations=conform(rows, OBSERVATIONS),
    )
    return replace(inputs, faults=inputs.faults.iloc[:0], flags=inputs.flags.iloc[:0])


def _point(line, at):
    return type(line.interpolate(0.0))(line.coords[at])


def change_some(
    inputs: Inputs, running: Running, count: int
) -> tuple[list[float], list[Rescreened], Inputs]:
    """Change pipes one by one: a figure, a row less, another size; give times and the new town."""
    draw = np.random.default_rng(17)
    ids = inputs.pipes["pipe_id"].iloc[::FILMED].to_numpy(dtype=object)
    seconds, found, pipes, rows = [], [], inputs.pipes.copy(), inputs.observations
    for number, name in enumerate(draw.choice(ids, min(count, len(ids)), replace=False)):
        own = rows[rows["inspection_id"] == f"I{name}"]
        pipe = pipes[pipes["pipe_id"] == name]
        kind = number % 3
        if kind == 0:
            own = own.assign(s_m=(own["s_m"] * 0.9).round(2))
        elif kind == 1:
            own = own.iloc[1:]
        else:
            pipe = pipe.assign(dn_mm=300.0)
        start = process_time()
        found.append(running.rescreen([name], pipes=pipe, observations=own))
        seconds.append(process_time() - start)
        rows = pd.concat([rows[rows["inspection_id"] != f"I{name}"], own])
        pipes.loc[pipe.index, "dn_mm"] = pipe["dn_mm"]
    after = inputs.with_rows(pipes=pipes, observations=conform(rows, OBSERVATIONS))
    return seconds, found, after


def profile(size: int, lines: int = 45) -> None:
    """Print where the time of a whole run and of one changed pipe goes."""
    inputs = make_town(size)
    whole, one = cProfile.Profile(), cProfile.Profile()
    made = whole.runcall(propose, inputs, NOTHING_KNOWN, empty(DECISIONS))
    running = Running(inputs, made, empty(DECISIONS))
    one.runcall(change_some, inputs, running, CHANGES)
    for told in (whole, one):
        pstats.Stats(told).sort_stats("cumulative").print_stats(lines)
