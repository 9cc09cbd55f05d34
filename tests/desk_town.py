"""A town of a few pipes and two crews that can do all works, planned: for the planner's desk."""

from __future__ import annotations

import json
from pathlib import Path

from evil_project import cells
from small_project import CREWS, PRICES, PROJECT, SYSTEMS, write_project

from planner.folder import accept_form, run_project
from planner.outputs.files import write_tables
from planner.outputs.record import write_record
from planner.plan import Plan

STREETS = ("Mill Lane", "Well Street", "Heron Way", "Quay Row", "Vine Close", "Tallow Street")
FIRST_DAY = "2026-01-12"


def write_desk_town(folder: Path, pipes: int = 6) -> Path:
    """Write a row of pipes 39.2 m long, each with one crack; all before the sleeve is done."""
    every = range(pipes)
    spots = [(400_000.0 + 300.0 * n, 5_900_000.0) for n in every]
    head = ["inspection_id", "pipe_id", "start_node", "end_node", "date", "laterals_coded", "s_m",
            "code", "char1", "char2", "q1"]  # fmt: skip
    surveys, done = [head], [["step", "pipe_id", "node_id", "done_on", "by"]]
    for n in every:
        run = [f"R{n}", f"P{n}", f"A{n}", f"B{n}", "2025-05-01", "yes"]
        surveys += [[*run, "0", "BCD", "A", "", ""], [*run, "12.5", "BAB", "C", "B", "6"],
                    [*run, "39.2", "BCE", "A", "", ""]]  # fmt: skip
        done += [["check_access", "", f"{end}{n}", "2026-01-09", "Ada"] for end in "AB"]
        done += [[step, f"P{n}", "", "2026-01-09", "Ada"] for step in ("clean", "look")]
    steps = 'steps = ["clean", "look", "resurvey", "flow_control", "sleeve", "reopen", "verify"]'
    one = CREWS.replace('"P1"', '"pack"').replace('steps = ["sleeve"]', steps)
    one = one.replace('["mon"]', '["mon", "tue", "wed", "thu", "fri"]')
    systems = SYSTEMS.replace("cure_s = 7200", "cure_s = 3600").replace('"P1"', '"pack"')
    settings = "\n[week]\niterations = 50\nrounds = 1\n"
    write_project(
        folder,
        planner_toml=PROJECT.replace("Three pipes", "Six pipes") + settings,
        surveys_csv=cells(surveys),
        systems_toml=systems.replace("lengths_m = [1.0]", "lengths_m = [1.0, 2.0]"),
        prices_toml=PRICES,
        crews_toml=one + one.replace('"North"', '"South"'),
        done_csv=cells(done),
        stock_csv=cells([["item", "system", "mass_kg"], ["resin", "felt", "120"]]),
    )  # fmt: skip
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
    ends = [(x, y, x + 39.2) for x, y in spots]
    layers = {
        "pipes": [({"pipe_id": f"P{n}", "us_node": f"A{n}", "ds_node": f"B{n}", "dn": "DN 200",
                    "len": 39.2, "material": "clay", "area": "west"},
                   "LineString", [[x, y], [x2, y]]) for n, (x, y, x2) in enumerate(ends)],
        "nodes": [({"node_id": f"{end}{n}", "access": "open", "street": STREETS[n % 6]}, "Point",
                   [at, y]) for n, (x, y, x2) in enumerate(ends)
                  for end, at in (("A", x), ("B", x2))],
        "streets": [({"name": "Long Street"}, "LineString", [[400_000.0, 5_900_000.0],
                                                             [402_000.0, 5_900_000.0]])],
    }  # fmt: skip
    for name, features in layers.items():
        rows = [
            {"type": "Feature", "properties": told, "geometry": {"type": kind, "coordinates": xy}}
            for told, kind, xy in features
        ]
        text = json.dumps({"type": "FeatureCollection", "crs": crs, "features": rows})
        (folder / f"{name}.geojson").write_text(text, "utf-8")
    return folder


def plan_desk_town(folder: Path, pipes: int = 6) -> Path:
    """Write the town, accept all its choices, and plan it as run 0001."""
    write_desk_town(folder, pipes)
    form = folder / "accept.csv"
    rows = [f"P{n},accept,Eve,2026-01-09,seen," for n in range(pipes)]
    form.write_text("pipe_id,decision,by,on,reason,span_id\n" + "\n".join(rows) + "\n")
    assert accept_form(folder, form)[-1] == f"{pipes} decisions taken, 0 refused or known"
    keep_tables(folder, run_project(folder), "0001")
    return folder


def keep_tables(folder: Path, made: Plan, name: str) -> Path:
    """Write a run without its drawings: all that the desk reads."""
    run = folder / "out" / name
    run.mkdir(parents=True)
    write_tables(made.tables, made.facts, run)
    write_record(run, made.inputs.settings, made.inputs.hashes, made.facts)
    return run
