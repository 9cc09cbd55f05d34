"""How heavy the map of a city is and how soon it can be used, beside folium's own way."""

from __future__ import annotations

import shutil
import statistics
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import folium
import geopandas as gpd
import pandas as pd
from shapely.geometry import LineString, Point

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.figure import OfflineFigure
from planner.outputs.layers import Sheet, defects_layer, pipes_layer
from planner.outputs.map import draw_map
from planner.outputs.packing import Layer
from tests.bench.frame import BenchResult, timed
from tests.conftest import BROWSER_FLAGS
from tests.map_town import facts, no_tables, put

BASE_B, PIPE_B, DEFECT_B, STREET_B = 600_000, 80, 110, 60
TRIES = 3
GOALS: dict[str, tuple[str, float]] = {
    "size / (0.6 MB + 80 B a pipe + 110 B a defect + 60 B a street)": ("<=", 1.0),
    "seconds until usable, over an empty page": ("<=", 1.5),
    "bytes that differ on repeat": ("<=", 0.0),
    "requests and complaints": ("<=", 0.0),
}
# Scripts have run, data are there, and two frames were drawn since.
READY = """async () => {
  const frame = () => new Promise(done => requestAnimationFrame(done));
  const there = () => !window.OURS || sleeveplan.current;
  while (document.readyState !== "complete" || !there()) await frame();
  await frame(); await frame(); }"""
BLOCK_M = 60.0
WAYS = ("sleeve", "liner", "dig", "refer", "watch", "none")


def run(size: int) -> BenchResult:
    """Draw `size` pipes with a quarter as many defects, and a street along each fourth pipe.

    Times are the median of three loads in Debian's chromium, each in a browser context of its
    own, taken from asking for the file until two frames were drawn after the map stood.

    Raises
    ------
    OSError
        If chromium is not installed.
    """
    tables, about = town(size), facts()
    draw_s, page = timed(lambda: draw_map(tables, about))
    again = draw_map(tables, about)
    folium_s, plain = timed(lambda: plain_folium(tables, about))
    empty = draw_map(no_tables(), about)
    seen = _load({"empty": empty, "ours": page, "folium": plain})
    ours_s, folium_load_s, empty_s = (seen[name][0] for name in ("ours", "folium", "empty"))
    weight, plain_weight = len(page.encode()), len(plain.encode())
    pipes, defects, streets = (len(tables[name]) for name in ("pipes", "defects", "streets"))
    allowed = BASE_B + PIPE_B * pipes + DEFECT_B * defects + STREET_B * streets
    rows = [
        _row("empty page, same assets", 0, len(empty.encode()), empty_s, 0.0),
        _row("ours", pipes, weight, ours_s, draw_s),
        _row("folium, GeoJson on canvas", pipes, plain_weight, folium_load_s, folium_s),
    ]
    ratios = {
        "size / (0.6 MB + 80 B a pipe + 110 B a defect + 60 B a street)": weight / allowed,
        "seconds until usable, over an empty page": ours_s - empty_s,
        "bytes that differ on repeat": float(sum(a != b for a, b in zip(page, again, strict=True))),
        "requests and complaints": float(sum(seen[name][1] for name in ("ours", "empty"))),
        "folium's size / ours": plain_weight / weight,
        "folium's seconds until usable / ours": folium_load_s / ours_s,
        "folium's seconds to draw / ours": folium_s / draw_s,
    }
    return BenchResult(rows, ratios, {name: list(goal) for name, goal in GOALS.items()})


def _row(what: str, pipes: int, weight: int, load_s: float, draw_s: float) -> dict[str, object]:
    return {"what": what, "pipes": pipes, "MB": round(weight / 1e6, 2),
            "usable_s": round(load_s, 2), "python_s": round(draw_s, 2)}  # fmt: skip


def _load(pages: dict[str, str]) -> dict[str, tuple[float, int]]:
    """Open each page; give the median of its times [s] and the count of what should not be."""
    from playwright.sync_api import sync_playwright

    path = shutil.which("chromium")
    if path is None:
        message = "chromium is not installed"
        raise OSError(message)
    found: dict[str, tuple[float, int]] = {}
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=BROWSER_FLAGS)
        for name, text in pages.items():
            file = Path(folder) / f"{name}.html"
            file.write_text(text, "utf-8")
            browser_times, trouble = [], 0
            for _ in range(TRIES):
                seconds, bad = timed(lambda file=file, name=name: _open(browser, file, name))
                browser_times.append(seconds)
                trouble += bad
            found[name] = (statistics.median(browser_times), trouble)
        browser.close()
    return found


def _open(browser: Any, file: Path, name: str) -> int:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.add_init_script(f"window.OURS = {'false' if name == 'folium' else 'true'};")
    trouble: list[str] = []
    note: Callable[[Any], None] = lambda one: trouble.append(str(one))  # noqa: E731
    page.on("console", note)
    page.on("pageerror", note)
    page.on("request", note)
    page.goto(file.as_uri(), wait_until="commit")
    page.evaluate(READY)
    context.close()
    return len(trouble) - 1  # its own file


def plain_folium(tables: Tables, about: RunFacts) -> str:
    """Draw the same pipes and defects, with the same fields, as folium's users do."""
    sheet = Sheet(tables, about)
    page = folium.Map(location=[51.5, 7.2], zoom_start=13, tiles=None, prefer_canvas=True)
    page.default_js, page.default_css = [("leaflet", "")], [("leaflet_css", "")]
    folium.GeoJson(_frame(pipes_layer(sheet)).to_json()).add_to(page)
    marker = folium.CircleMarker(radius=4)
    folium.GeoJson(_frame(defects_layer(sheet)).to_json(), marker=marker).add_to(page)
    figure = OfflineFigure("plain")
    figure.add_child(page)
    return figure.render()


def _frame(layer: Layer) -> gpd.GeoDataFrame:
    columns = {name: list(values) for name, values in layer.fields.items()}
    frame = gpd.GeoDataFrame(
        {**columns, "class": list(layer.classes)}, geometry=list(layer.geometry), crs=layer.crs
    )
    return frame.to_crs(4326)


def town(size: int) -> dict[str, pd.DataFrame]:
    """Invent `size` pipes in a grid, a quarter as many defects on them, and all that is said."""
    tables = no_tables()
    wide = max(2, round((size / 2) ** 0.5))
    ends = [(c, r, c + k, r + 1 - k) for r in range(wide + 1) for c in range(wide) for k in (1, 0)]
    ends = (ends * 2)[:size]
    put(tables, "pipes", [
        {"pipe_id": f"{k + 10_000:06d}", "us_node": f"{a * 1000 + b:06d}",
         "ds_node": f"{c * 1000 + d:06d}", "dn_mm": (200.0, 250.0, 300.0)[k % 3],
         "length_m": 59.2 - k % 97 / 100, "drawn_m": BLOCK_M, "length_from": "survey",
         "placing": "ok", "material": ("vitrified clay", "concrete")[k % 2], "use": "foul",
         "geometry": LineString([(a * BLOCK_M + k % 7, b * BLOCK_M), (c * BLOCK_M, d * BLOCK_M)])}
        for k, (a, b, c, d) in enumerate(ends)
    ])  # fmt: skip
    nodes = sorted({(a, b) for a, b, _, _ in ends} | {(c, d) for _, _, c, d in ends})
    put(tables, "nodes", [
        {"node_id": f"{a * 1000 + b:06d}", "kind": "manhole", "depth_m": 2 + (a * 7 + b) % 90 / 50,
         "lid_mm": 600.0, "turn_ok": True, "access": "open", "street": f"Street {b}",
         "geometry": Point(a * BLOCK_M, b * BLOCK_M)}
        for a, b in nodes
    ])  # fmt: skip
    put(tables, "streets", [
        {"street_id": str(k), "name": f"Street {b}", "class": "residential", "speed_kmh": 30.0,
         "oneway": False,
         "geometry": LineString([(a * BLOCK_M, b * BLOCK_M + 4), (a * BLOCK_M + 60, b * BLOCK_M)])}
        for k, (a, b, _, _) in enumerate(ends[::4])
    ])  # fmt: skip
    _work(tables, max(1, size // 4))
    return tables


def _work(tables: dict[str, pd.DataFrame], count: int) -> None:
    """Put defects on every second pipe, with their span, verdict and the pipe's choice."""
    pipes = tables["pipes"].iloc[::2]
    ids, starts = pipes["pipe_id"].tolist(), pipes["us_node"].tolist()
    at = [(k, ids[k % len(ids)], starts[k % len(ids)], 5 + k * 7 % 4500 / 100)
          for k in range(count)]  # fmt: skip
    put(tables, "inspections", [
        {"inspection_id": f"I-{pipe}", "pipe_id": pipe, "scheme": "EN 13508-2"} for pipe in ids
    ])  # fmt: skip
    put(tables, "defects", [
        {"observation_id": f"O{k}", "inspection_id": f"I-{pipe}", "s_m": x, "code": "BAB",
         "char1": "B", "char2": "A", "q1": str(k % 9), "mechanism": "crack", "role": "damage",
         "pipe_id": pipe, "x_from_m": x, "x_to_m": x, "from_m": x, "to_m": x + 0.5,
         "kind": "point", "extent_from": "assumed", "counter_node": node, "counter_m": x,
         "find_m": 0.3, "clock_h": float(k % 12 + 1), "arc_h": 1.0, "photo": f"p{k:06d}.jpg",
         "video": f"{pipe}.mpg", "video_s": float(k * 13 % 900), "file": "surveys.csv",
         "row": k + 2, "seen_on": "2025-06-03"}
        for k, pipe, node, x in at
    ])  # fmt: skip
    put(tables, "spans", [
        {"span_id": f"D-{k:06d}", "pipe_id": pipe, "from_m": x, "to_m": x + 0.5, "find_m": 0.3,
         "counter_node": node, "kind": "point", "role": "damage", "mechanisms": "crack",
         "extent_from": "assumed", "state": "open", "soil_visible": False, "void_visible": False}
        for k, pipe, node, x in at
    ])  # fmt: skip
    put(tables, "span_rows", [
        {"span_id": f"D-{k:06d}", "observation_id": f"O{k}", "part": "own"} for k, *_ in at
    ])  # fmt: skip
    put(tables, "verdicts", [
        {"span_id": f"D-{k:06d}", "pipe_id": pipe, "needs": "mend", "urgency": "programme",
         "sleeve": "open", "liner": "open", "dig": "open", "verdict": WAYS[k % 6],
         "assumed": False, "why": f"crack {k % 50 / 10:.1f} mm, limit 5 mm: a sleeve serves it"}
        for k, pipe, _, _ in at
    ])  # fmt: skip
    put(tables, "choices", [
        {"pipe_id": pipe, "method": "sleeve", "state": "accepted", "by": "R. Engineer",
         "on": "2026-01-05", "reason": f"sleeve {2000 + k % 900} is least", "fingerprint": "f",
         "assumed_accepted": False, "cost_cents": 200_000 + k * 37 % 90_000, "system": "lamp felt"}
        for k, pipe in enumerate(dict.fromkeys(pipe for _, pipe, _, _ in at))
    ])  # fmt: skip
