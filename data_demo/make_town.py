"""Make the invented town of Quillhaven: network, streets, houses and coded surveys.

    python data_demo/make_town.py          # writes the files beside this script

Everything here is invented: the town (it would lie in open sea), its names, its
pipes and what the camera saw. The same seed gives the same town. The forms that
answer the plan (`decisions.csv`, `done.csv`) are made by `make_forms.py`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
from shapely import LineString, Point
from shapely.ops import substring

HERE = Path(__file__).parent
CRS = "EPSG:25832"
EAST, NORTH = 401_000.0, 5_991_000.0
COLUMNS, ROWS = 11, 9
SEED = 20

ALONG = ("Lantern Row", "Cooper Lane", "Tallow Street", "Harbour Road", "Quill Street",
         "Sexton Lane", "Orchard Rise", "Ropewalk", "Heron Bank")  # fmt: skip
ACROSS = ("Mill Drift", "Abbot Way", "Saltern Street", "Fuller Court", "Chandler Street",
          "Kings Parade", "Pilot Lane", "Weir Street", "Granary Lane", "Vine Close",
          "Beacon Hill")  # fmt: skip


@dataclass
class Town:
    """The network while it is being made."""

    rng: np.random.Generator
    nodes: list[dict[str, object]] = field(default_factory=list)
    pipes: list[dict[str, object]] = field(default_factory=list)
    streets: list[dict[str, object]] = field(default_factory=list)
    houses: list[dict[str, object]] = field(default_factory=list)


def crossing(town: Town, column: int, row: int) -> tuple[float, float]:
    """Place one street crossing: a grid, bent as an old town is."""
    x = column * 104.0 + 26.0 * np.sin(row * 0.55) + town.rng.uniform(-9, 9)
    y = row * 96.0 + 22.0 * np.sin(column * 0.45 + 0.6) + town.rng.uniform(-8, 8)
    return EAST + x, NORTH + y


def street_grid(town: Town) -> tuple[nx.Graph, dict[tuple[int, int], tuple[float, float]]]:
    """Lay out crossings and street edges; a few edges are left out."""
    where = {(c, r): crossing(town, c, r) for r in range(ROWS) for c in range(COLUMNS)}
    grid = nx.grid_2d_graph(COLUMNS, ROWS)
    edges = sorted(grid.edges)
    for index in town.rng.permutation(len(edges))[:9]:
        a, b = edges[index]
        grid.remove_edge(a, b)
        if not nx.is_connected(grid):
            grid.add_edge(a, b)
    return grid, where


def bent(town: Town, a: tuple[float, float], b: tuple[float, float]) -> LineString:
    """Draw one street edge, slightly bent in the middle."""
    middle = np.add(a, b) / 2 + town.rng.uniform(-5, 5, 2)
    return LineString([a, tuple(middle), b])


def make_network(town: Town) -> None:
    """Lay streets, manholes and pipes; flow runs to the crossing (0, 0)."""
    grid, where = street_grid(town)
    far = nx.single_source_shortest_path_length(grid, (0, 0))
    load = flow_load(grid, far)
    ids = {key: f"{1001 + i}" for i, key in enumerate(sorted(where, key=lambda k: (k[1], k[0])))}
    for key in sorted(where):
        add_node(town, ids[key], where[key], street_name(key, key), main=is_main(key, key))
    serial = 5000
    for number, (a, b) in enumerate(sorted(grid.edges), start=1):
        up, down = (a, b) if (far[a], a) > (far[b], b) else (b, a)
        line = bent(town, where[up], where[down])
        name, main = street_name(a, b), is_main(a, b)
        add_street(town, number, line, name, main=main)
        parts = 3 if line.length > 112 or town.rng.random() < 0.36 else 2
        cuts = np.linspace(0, line.length, parts + 1)
        cuts[1:-1] += town.rng.uniform(-6, 6, parts - 1)
        at = [ids[up]]
        for cut in cuts[1:-1]:
            serial += 1
            at.append(str(serial))
            spot = line.interpolate(cut)
            add_node(town, str(serial), (spot.x, spot.y), name, main=main)
        at.append(ids[down])
        dn = size_for(town, load[frozenset((a, b))])
        for i in range(parts):
            piece = substring(line, cuts[i], cuts[i + 1])
            add_pipe(town, at[i], at[i + 1], piece, dn, main=main)


def flow_load(grid: nx.Graph, far: dict[tuple[int, int], int]) -> dict[frozenset, int]:
    """Count crossings upstream of each edge along shortest ways to the outlet."""
    tree = nx.bfs_tree(grid, (0, 0), sort_neighbors=sorted)
    below = dict.fromkeys(grid.nodes, 1)
    for key in sorted(grid.nodes, key=lambda k: -far[k]):
        for parent in tree.predecessors(key):
            below[parent] += below[key]
    load = {frozenset(edge): 1 for edge in grid.edges}
    for parent, child in tree.edges:
        load[frozenset((parent, child))] = below[child]
    return load


def size_for(town: Town, load: int) -> int:
    """Give a nominal size for the number of crossings upstream."""
    sizes = (200, 225, 250, 300, 400, 500, 600)
    step = int(np.searchsorted((4, 9, 18, 32, 50, 75), load, side="right"))
    return int(sizes[min(step + int(town.rng.random() < 0.15), len(sizes) - 1)])


def street_name(a: tuple[int, int], b: tuple[int, int]) -> str:
    """Name the street on which an edge or crossing lies."""
    return ALONG[a[1]] if a[1] == b[1] else ACROSS[a[0]]


def is_main(a: tuple[int, int], b: tuple[int, int]) -> bool:
    """Harbour Road and Kings Parade carry the through traffic."""
    return a[1] == b[1] == 3 or a[0] == b[0] == 5


def add_node(
    town: Town, node_id: str, spot: tuple[float, float], street: str, *, main: bool
) -> None:
    """Add one manhole."""
    access = town.rng.choice(
        ["open", "key", "private", "unknown", "buried"], p=[0.72, 0.06, 0.05, 0.14, 0.03]
    )
    town.nodes.append(
        {
            "manhole": node_id,
            "kind": "manhole",
            "depth": round(float(town.rng.uniform(1.6, 4.2)), 2),
            "lid": int(town.rng.choice([600, 625, 500, 450], p=[0.6, 0.3, 0.07, 0.03])),
            "turn": "yes" if town.rng.random() < 0.93 else "no",
            "access": str(access),
            "class": "main" if main else "residential",
            "street": street,
            "geometry": Point(spot),
        }
    )


def add_street(town: Town, number: int, line: LineString, name: str, *, main: bool) -> None:
    """Add one stretch of street."""
    town.streets.append(
        {
            "id": f"st{number:03d}",
            "name": name,
            "class": "main" if main else "residential",
            "speed": 40 if main else 25,
            "oneway": "no",
            "geometry": line,
        }
    )


def add_pipe(town: Town, up: str, down: str, line: LineString, dn: int, *, main: bool) -> None:
    """Add one pipe, drawn from manhole centre to manhole centre."""
    rng = town.rng
    material = str(
        rng.choice(
            ["vitrified clay", "concrete", "PVC-U", "reinforced concrete", "polyethylene", ""],
            p=[0.52, 0.24, 0.13, 0.06, 0.02, 0.03],
        )
    )
    drawn = line.length
    if rng.random() < 0.22:
        line = line.reverse()  # the honest fault of most networks: drawn against its nodes
    town.pipes.append(
        {
            "pipe": f"{len(town.pipes) + 1:04d}",
            "from_mh": up,
            "to_mh": down,
            "use": "combined",
            "size": str(rng.choice([f"DN {dn}", str(dn)])) if dn < 500 else f"DN {dn}",
            "material": material,
            "length": round(drawn, 1) if rng.random() < 0.7 else None,
            "depth": round(float(rng.uniform(1.8, 4.0)), 1),
            "unit_m": {"vitrified clay": 1.0, "concrete": 2.0}.get(material),
            "water": round(float(rng.uniform(-2.0, -0.2)), 1) if rng.random() < 0.93 else 0.4,
            "laid": int(rng.integers(1928, 1994)),
            "class": "main" if main else "residential",
            "area": "north" if line.centroid.y > NORTH + 380 else "south",
            "geometry": line,
        }
    )


def lay_levels(town: Town, rng: np.random.Generator) -> None:
    """Give each pipe the inverts of a sewer that falls all the way to the outlet.

    A pipe leaves its manhole at the lowest level there. Steeper where smaller: no less
    than 1 : DN, a rule of thumb (common practice, no source). Where two ways meet, the
    one that comes in higher drops down inside the manhole.
    """
    slopes = [rng.uniform(1.05, 2.4) / dn_of(pipe) for pipe in town.pipes]
    flow = nx.MultiDiGraph()
    for number, pipe in enumerate(town.pipes):
        flow.add_edge(str(pipe["from_mh"]), str(pipe["to_mh"]), number=number)
    level: dict[str, float] = {}
    for node in reversed(list(nx.topological_sort(flow))):
        out = flow.out_edges(node, data="number")
        starts = [level[to] + slopes[n] * length_of(town.pipes[n]) for _, to, n in out]
        level[node] = round(max(starts, default=2.0), 2)
    for pipe, slope in zip(town.pipes, slopes, strict=True):
        up = level[str(pipe["from_mh"])]
        pipe["invert_up"] = up
        pipe["invert_down"] = round(up - slope * length_of(pipe), 2)


def dn_of(pipe: dict[str, object]) -> int:
    """Give the nominal size [mm] that a pipe is written down with."""
    return int("".join(c for c in str(pipe["size"]) if c.isdigit()))


def length_of(pipe: dict[str, object]) -> float:
    """Give the drawn length [m]."""
    return float(pipe["geometry"].length)  # type: ignore[attr-defined]


def add_houses(town: Town, rng: np.random.Generator) -> None:
    """Build houses along both sides of each pipe, numbered along their street.

    Most name the pipe they hang on; the others stand there as points alone. About one
    in five says nothing of how many live in it.
    """
    streets = {str(node["manhole"]): str(node["street"]) for node in town.nodes}
    count: dict[str, int] = {}
    for pipe in town.pipes:
        line = pipe["geometry"]
        street = streets[max(str(pipe["from_mh"]), str(pipe["to_mh"]))]  # not the crossing's
        at = float(rng.uniform(3, 12))
        while at < length_of(pipe):
            spot, ahead = line.interpolate(at), line.interpolate(at + 0.1)  # type: ignore[attr-defined]
            turn = 9.0 * float(rng.choice([-1.0, 1.0])) / max(spot.distance(ahead), 1e-6)
            count[street] = count.get(street, 0) + 1
            side = Point(spot.x - (ahead.y - spot.y) * turn, spot.y + (ahead.x - spot.x) * turn)
            town.houses.append(
                {
                    "address": f"h{len(town.houses) + 1:04d}",
                    "street": street,
                    "number": str(count[street]),
                    "pipe": str(pipe["pipe"]) if rng.random() < 0.8 else "",
                    "persons": int(rng.integers(1, 7)) if rng.random() < 0.8 else None,
                    "geometry": side,
                }
            )
            at += float(rng.uniform(9, 22))


def plant_faults(town: Town) -> None:
    """Put in the faults that `check` must report, one of each."""
    town.pipes[40]["size"] = ""
    town.pipes[71]["size"] = "700x1050"
    town.pipes[111]["geometry"] = None
    town.pipes[150]["length"] = 3.1 + float(town.pipes[150]["geometry"].length)  # type: ignore[attr-defined]
    copy = dict(town.pipes[200])
    copy["material"] = "concrete"
    town.pipes.append(copy)
    town.pipes[222]["to_mh"] = "5999"  # names a manhole that the layer lacks
    town.pipes[43]["invert_down"] = None
    town.pipes[47]["invert_down"] = round(float(str(town.pipes[47]["invert_up"])) + 0.06, 2)


def write_layers(town: Town) -> None:
    """Write network.gpkg with its four layers."""
    path = HERE / "network.gpkg"
    path.unlink(missing_ok=True)
    os.environ["OGR_CURRENT_DATE"] = "2026-01-05T06:00:00.000Z"
    layers = {"pipes": town.pipes, "nodes": town.nodes, "streets": town.streets}
    for layer, rows in (layers | {"addresses": town.houses}).items():
        frame = gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=CRS)
        frame.to_file(path, layer=layer, driver="GPKG")


def main() -> None:
    """Make the town and its surveys."""
    from make_surveys import write_surveys

    town = Town(np.random.default_rng(SEED))
    make_network(town)
    # Drawn from seeds of their own, so that the surveys stay what they were.
    lay_levels(town, np.random.default_rng(SEED + 2))
    add_houses(town, np.random.default_rng(SEED + 3))
    clean = [dict(pipe) for pipe in town.pipes]
    plant_faults(town)
    write_layers(town)
    rows = write_surveys(clean, np.random.default_rng(SEED + 1), HERE / "surveys.csv")
    print(f"{len(town.pipes)} pipes, {len(town.nodes)} manholes, {rows} observations")


if __name__ == "__main__":
    main()
