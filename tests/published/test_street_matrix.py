"""The street matrix against networkx, an independent library, on made and on real streets.

Tolerance: 1 s (our seconds are whole) and 1 cm.
"""

from __future__ import annotations

import itertools

import geopandas as gpd
import networkx as nx
import numpy as np
import pytest
from crew_town import LOCAL, crew, settings, stop
from shapely.geometry import LineString, Point

from planner.contracts import CREWS, SETUPS, STREETS
from planner.crews.travel import Travel, travel
from planner.tables import conform


def by_networkx(streets: gpd.GeoDataFrame, speed_kmh: float) -> nx.MultiDiGraph:
    """Every segment an arc, every vertex a node: no cutting of ours takes part."""
    graph = nx.MultiDiGraph()
    oneways = streets["oneway"].fillna(value=False).astype(bool)
    rows = zip(streets.geometry, streets["speed_kmh"], oneways, strict=True)
    for line, own, oneway in rows:
        speed = (own if own > 0 else speed_kmh) / 3.6
        places = [(round(x, 2), round(y, 2)) for x, y in line.coords]
        for (a, b), (p, q) in zip(
            itertools.pairwise(places), itertools.pairwise(line.coords), strict=True
        ):
            metres = float(np.hypot(q[0] - p[0], q[1] - p[1]))
            graph.add_edge(a, b, seconds=metres / speed, metres=metres)
            if not oneway:
                graph.add_edge(b, a, seconds=metres / speed, metres=metres)
    return graph


def ours(streets: gpd.GeoDataFrame, places: list[tuple[float, float]], crs: object) -> Travel:
    rows = [stop(f"U{n:03d}", geometry=Point(p)) for n, p in enumerate(places)]
    shapes = [row["geometry"] for row in rows]
    setups = conform(gpd.GeoDataFrame(rows, geometry=shapes, crs=crs), SETUPS)
    yard = {**crew("Crew", "clean"), "yard_x": places[0][0], "yard_y": places[0][1]}
    chosen = settings(class_kmh={}).week
    return travel(setups, conform([yard], CREWS), streets, chosen, source_crs="")


def compare(streets: gpd.GeoDataFrame, places: list[tuple[float, float]], crs: object) -> None:
    graph = by_networkx(streets, settings().week.speed_kmh)
    ways = ours(streets, places, crs)
    names = [(round(x, 2), round(y, 2)) for x, y in places]
    for one, name in enumerate(names):
        far = nx.single_source_dijkstra_path_length(graph, name, weight="seconds")
        for other, goal in enumerate(names):
            a, b = ways.setup_at[f"U{one:03d}"], ways.setup_at[f"U{other:03d}"]
            assert bool(ways.air[a, b]) is (goal not in far)
            if goal in far:
                assert ways.seconds[a, b] == pytest.approx(far[goal], abs=1.0)


def metres_of(graph: nx.MultiDiGraph, one, other) -> float:
    path = nx.dijkstra_path(graph, one, other, weight="seconds")
    return sum(
        min((e["seconds"], e["metres"]) for e in graph[a][b].values())[1]
        for a, b in itertools.pairwise(path)
    )


def made_town(seed: int) -> tuple[gpd.GeoDataFrame, list[tuple[float, float]]]:
    """A bent grid of 12 by 12 crossings with one-way streets, gaps, odd speeds, and dead ends."""
    rng = np.random.default_rng(seed)
    count = 12
    spot = {
        (c, r): (500_000 + 97.3 * c + rng.uniform(-20, 20), 5_000_000 + 88.1 * r)
        for c in range(count)
        for r in range(count)
    }
    rows = []
    for (c, r), place in sorted(spot.items()):
        for other in ((c + 1, r), (c, r + 1)):
            if other not in spot or rng.random() < 0.12:
                continue
            middle = tuple((np.array(place) + spot[other]) / 2 + rng.uniform(-9, 9, 2))
            rows.append(
                {
                    "street_id": f"s{len(rows):04d}",
                    "speed_kmh": float(rng.choice([15, 30, 50, 70])),
                    "oneway": bool(rng.random() < 0.2),
                    "geometry": LineString([place, middle, spot[other]]),
                }
            )
    streets = conform(
        gpd.GeoDataFrame(rows, geometry=[row["geometry"] for row in rows], crs=LOCAL), STREETS
    )
    ends = sorted({line.coords[0] for line in streets.geometry})
    picked = rng.choice(len(ends), 15, replace=False)
    return streets, [ends[n] for n in picked]


@pytest.mark.parametrize("seed", range(4))
def test_made_streets_agree_with_networkx(seed):
    """15 stops at crossings of a made town: the same times, the same pairs out of reach."""
    streets, places = made_town(seed)
    compare(streets, places, LOCAL)


def test_lengths_are_those_of_the_quickest_way():
    """The metres belong to the way whose seconds count, not to the shortest way."""
    streets, places = made_town(7)
    graph = by_networkx(streets, 30.0)
    ways = ours(streets, places, LOCAL)
    names = [(round(x, 2), round(y, 2)) for x, y in places]
    for one, other in itertools.permutations(range(6), 2):
        a, b = ways.setup_at[f"U{one:03d}"], ways.setup_at[f"U{other:03d}"]
        if not ways.air[a, b]:
            wanted = metres_of(graph, names[one], names[other])
            assert ways.metres[a, b] == pytest.approx(wanted, abs=0.01)


@pytest.mark.network_samples
def test_real_streets_agree_with_networkx(samples):
    """1,782 streets of a small real town, in metres: 12 stops at street ends."""
    lines = gpd.read_parquet(samples / "streets" / "apalachicola_original.parquet")
    lines = lines.to_crs(lines.estimate_utm_crs()).reset_index(drop=True)
    streets = conform(
        gpd.GeoDataFrame(
            {
                "street_id": [f"s{n:05d}" for n in range(len(lines))],
                "class": lines["highway"].astype(str),
            },
            geometry=lines.geometry,
            crs=lines.crs,
        ),
        STREETS,
    )
    ends = sorted({line.coords[0] for line in lines.geometry})
    compare(streets, ends[:: len(ends) // 12][:12], lines.crs)
