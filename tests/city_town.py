"""An invented city in a project folder: catchments of all sizes, every pipe filmed, and faults.

The faults are those of the demo: rows past an end, without a distance, with text for one or
an unknown code; runs of pipes that nobody knows, under ids in another form, from a manhole
that is no end of the pipe, and one that stands twice. The same size gives the same city.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from small_project import write_project

CRS = "EPSG:25832"
PROJECT = """
[project]
name = "Invented city"
first_day = "2026-01-12"
[pipes]
file = "pipes.gpkg"
columns = {size = "dn", stated_m = "len"}
[nodes]
file = "nodes.gpkg"
[[inspections]]
file = "surveys.csv"
"""
CODES = (
    ("BAB", "B", "A", "2"), ("BAB", "B", "B", "4"), ("BAC", "A", "A", ""), ("BAJ", "B", "", "20"),
    ("BAJ", "A", "", "35"), ("BBA", "A", "", "15"), ("BBB", "B", "", "5"), ("BCA", "A", "A", "150"),
    ("BDB", "", "", ""), ("BAF", "A", "A", ""), ("BBF", "C", "", ""), ("BAI", "Z", "", ""),
)  # fmt: skip
SIZES_MM = (150, 200, 250, 300, 400)
STUFF = ("vitrified clay", "concrete", "pvc", "")
ROWS = 10
AT_ONCE = 50_000
"""Runs whose rows are written at once: ten million rows of text are too much for one frame."""


@dataclass(frozen=True)
class Runs:
    """Names, ends and surveyed lengths [m] of all pipes."""

    names: np.ndarray
    us: np.ndarray
    ds: np.ndarray
    length: np.ndarray


@dataclass(frozen=True)
class Drawn:
    """What was drawn by lot for each run, and for each of its rows."""

    from_ds: np.ndarray
    wrong: np.ndarray
    at: np.ndarray
    picked: np.ndarray
    odd: np.ndarray


def write_city(folder: Path, size: int, *, seed: int = 11, prices: str = "") -> Path:
    """Write a city of `size` pipes with about ten coded rows each; every third catchment is big.

    `prices` stands for prices.toml, where the small project's own shall not.
    """
    draw = np.random.default_rng(seed)
    down, spots = _trees(size, draw)
    names = np.array([f"{number:07d}" for number in range(1, size + 1)], dtype=object)
    us = np.array([f"N{name}" for name in names], dtype=object)
    ds = np.where(down >= 0, us[down], np.array([f"X{name}" for name in names], dtype=object))
    ends = np.where((down >= 0)[:, None], spots[down], spots + np.array([31.0, 7.0]))
    lines = shapely.linestrings(np.stack([spots, ends], axis=1))
    drawn = shapely.length(lines)
    listed = np.where(draw.random(size) < 0.5, np.round(drawn, 2), np.nan)
    texts = {"planner_toml": PROJECT, "pipes_geojson": "", "nodes_geojson": "",
             "streets_geojson": "", "done_csv": "", "surveys_csv": ""}  # fmt: skip
    write_project(folder, **texts, **({"prices_toml": prices} if prices else {}))
    sizes, stuff = draw.choice(SIZES_MM, size).astype(str), draw.choice(STUFF, size)
    pipes = {"pipe_id": names, "us_node": us, "ds_node": ds, "len": listed, "dn": sizes,
             "material": stuff}  # fmt: skip
    gpd.GeoDataFrame(pipes, geometry=lines, crs=CRS).to_file(folder / "pipes.gpkg")
    nodes = {"node_id": np.concatenate([us, ds[down < 0]]), "access": "open"}
    points = shapely.points(np.concatenate([spots, ends[down < 0]]))
    gpd.GeoDataFrame(nodes, geometry=points, crs=CRS).to_file(folder / "nodes.gpkg")
    _write_surveys(folder / "surveys.csv", Runs(names, us, ds, drawn - 0.8), draw)
    return folder


def _trees(size: int, draw: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Give of each pipe the one it flows into (-1 at an outfall) and its upper manhole."""
    sizes = np.minimum(draw.geometric(0.05, size), 200)
    sizes[::3] *= 4
    bounds = np.minimum(np.concatenate([[0], np.cumsum(sizes)]), size)
    down, spots = np.full(size, -1), np.zeros((size, 2))
    steps = draw.uniform(25.0, 60.0, size)
    angles = draw.uniform(-1.2, 1.2, size)
    back = draw.integers(1, 4, size)
    for number, (first, last) in enumerate(pairwise(bounds)):
        if first >= last:
            break
        # Catchments lie beside each other in rows of a hundred, 2 km apart.
        home = 400_000.0 + 2_000.0 * (number % 100), 5_700_000.0 + 2_000.0 * (number // 100)
        for at in range(first, last):
            if at == first:
                spots[at] = home
                continue
            down[at] = max(first, at - back[at])
            way = (np.cos(angles[at]), np.sin(angles[at]))
            spots[at] = spots[down[at]] + steps[at] * np.array(way)
    return down, spots


def _write_surveys(path: Path, runs: Runs, draw: np.random.Generator) -> None:
    """Code every pipe once, from either end: its start, about eight rows, its end.

    A few runs stand a second time, below all others. Texts of `AT_ONCE` runs are in memory.
    """
    size, inner = len(runs.names), ROWS - 2
    from_ds = draw.random(size) < 0.4
    wrong = draw.random(size)
    at = np.sort(draw.random((size, inner)) * runs.length[:, None], axis=1).round(2)
    picked = draw.integers(0, len(CODES), (size, inner))
    odd = draw.random((size, ROWS))
    odd[:, [0, -1]] = 0.5
    drawn = Drawn(from_ds, wrong, at, picked, odd)
    twice = np.flatnonzero(wrong > 0.995)
    for letters, rows in (("R", np.arange(size)), ("TR", twice)):
        for first in range(0, len(rows), AT_ONCE):
            told = _coded(runs, drawn, rows[first : first + AT_ONCE])
            told["inspection_id"] = letters + told["inspection_id"]
            begun = letters == "TR" or first > 0
            told.to_csv(path, index=False, header=not begun, mode="a" if begun else "w")


def _coded(runs: Runs, drawn: Drawn, which: np.ndarray) -> pd.DataFrame:
    """Give the coded rows of some runs as they stand in the file, their ids without letters."""
    names, wrong, odd = runs.names[which], drawn.wrong[which], drawn.odd[which]
    start = np.where(drawn.from_ds[which], runs.ds[which], runs.us[which])
    start = np.where(wrong < 0.005, "N-nowhere", start)
    plain = names.astype(str)
    ref = np.where((wrong > 0.005) & (wrong < 0.015), np.char.lstrip(plain, "0"), names)
    ref = np.where((wrong > 0.015) & (wrong < 0.02), np.char.add("gone-", plain), ref)
    ends = np.zeros((len(which), 1)), runs.length[which, None].round(2)
    s_m = np.concatenate([ends[0], drawn.at[which], ends[1]], axis=1)
    text = np.char.mod("%.2f", s_m).astype(object)
    text[odd < 0.002], text[odd > 0.998] = "far", ""
    text[(odd > 0.99) & (odd < 0.994)] = "400.00"
    head, tail = (np.tile(np.array([one, "A", "", ""], dtype=object), (len(which), 1, 1))
                  for one in ("BCD", "BCE"))  # fmt: skip
    picked = np.array(CODES, dtype=object)[drawn.picked[which]]
    code = np.concatenate([head, picked, tail], axis=1).reshape(-1, 4)
    code[((odd > 0.004) & (odd < 0.006)).ravel(), 0] = "BZZ"
    rows = pd.DataFrame(
        {"inspection_id": np.repeat(names, ROWS), "pipe_id": np.repeat(ref, ROWS),
         "start_node": np.repeat(start, ROWS), "date": "2025-05-01", "s_m": text.ravel()}
    )  # fmt: skip
    rows[["code", "char1", "char2", "q1"]] = code
    return rows
