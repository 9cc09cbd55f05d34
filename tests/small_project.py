"""A project of three pipes in a folder, written for tests that read one; all of it invented."""

from __future__ import annotations

import json
from pathlib import Path

PROJECT = """
[project]
name = "Three pipes"
first_day = "2026-01-12"
[pipes]
file = "pipes.geojson"
columns = {size = "dn", stated_m = "len"}
[nodes]
file = "nodes.geojson"
[streets]
file = "streets.geojson"
[[inspections]]
file = "surveys.csv"
zero_at = "wall"
"""
SURVEYS = """inspection_id,pipe_id,start_node,date,s_m,code,char1,char2,q1,stretch
R1,0017,A,2025-05-01,0,BCD,A,,,
R1,0017,A,2025-05-01,5.2,BAB,B,A,2,
R1,0017,A,2025-05-01,8.0,BAB,B,A,2,A1
R1,0017,A,2025-05-01,8.8,BAB,B,A,2,B1
R1,0017,A,2025-05-01,far,BAB,B,A,2,
R1,0017,A,2025-05-01,40,BCE,A,,,
R2,nobody,X,2025-05-01,3,BAB,B,A,2,
R3,0018,B,2025-05-01,,,,,,
"""
SYSTEMS = """
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
"""
PRICES = """
[[price]]
price_id = "a"
item = "sleeve"
dn_from_mm = 100
dn_to_mm = 300
each = 1200.00
included_m = 1.0
extra_per_m = 260.00
"""
CREWS = """
[[crew]]
crew = "North"
steps = ["sleeve"]
systems = ["felt"]
packers = ["P1"]
yard_x = 400000.0
yard_y = 5900000.0
[[crew.shift]]
days = ["mon"]
start = "07:00"
end = "15:00"
"""
DONE = "step,pipe_id,node_id,done_on,by\nclean,0017,,2026-01-09,Ada\n"
STOCK = "item,system,mass_kg\nresin,felt,120\n"
TEXTS = {
    "planner.toml": PROJECT,
    "surveys.csv": SURVEYS,
    "systems.toml": SYSTEMS,
    "prices.toml": PRICES,
    "crews.toml": CREWS,
    "done.csv": DONE,
    "stock.csv": STOCK,
}
# One line of manholes 40 m apart, in metres of EPSG:25832.
SPOTS = {name: (400000.0 + 40.0 * i, 5900000.0) for i, name in enumerate("ABCD")}
PIPES = (("0017", "A", "B", "200"), ("0018", "B", "C", "DN 250"), ("0019", "C", "D", "huge"))


def _layer(features: list[tuple[dict[str, object], str, object]]) -> str:
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
    rows = [
        {
            "type": "Feature",
            "properties": properties,
            "geometry": {"type": kind, "coordinates": points},
        }
        for properties, kind, points in features
    ]
    return json.dumps({"type": "FeatureCollection", "crs": crs, "features": rows})


def write_project(folder: Path, **texts: str) -> Path:
    """Write the project; `texts` replaces files, e.g. ``planner_toml="..."``; "" leaves one out."""
    folder.mkdir(parents=True, exist_ok=True)
    files = dict(TEXTS)
    pipes = [
        (
            {"pipe_id": pipe, "us_node": us, "ds_node": ds, "dn": dn, "len": 39.2},
            "LineString",
            [SPOTS[us], SPOTS[ds]],
        )
        for pipe, us, ds, dn in PIPES
    ]
    nodes = [({"node_id": name, "access": "open"}, "Point", spot) for name, spot in SPOTS.items()]
    street = [({"name": "Long Street"}, "LineString", [SPOTS["A"], SPOTS["D"]])]
    files["pipes.geojson"] = _layer(pipes)  # type: ignore[arg-type]
    files["nodes.geojson"] = _layer(nodes)  # type: ignore[arg-type]
    files["streets.geojson"] = _layer(street)  # type: ignore[arg-type]
    for name, text in texts.items():
        base, _, end = name.rpartition("_")
        files[f"{base}.{end}"] = text
    for name, text in files.items():
        if text:
            (folder / name).write_text(text, encoding="utf-8")
    return folder
