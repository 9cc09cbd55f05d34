"""A project that goes the whole way to a visit, with any text in every field that takes text."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from pathlib import Path

from small_project import CREWS, PRICES, PROJECT, SPOTS, SYSTEMS, write_project


def cells(rows: list[list[str]]) -> str:
    """Write rows as a CSV."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


@dataclass(frozen=True)
class Evil:
    """Text that stands before and after every name."""

    before: str = ""
    after: str = ""

    def of(self, word: str) -> str:
        return f"{self.before}{word}{self.after}"


def write_evil(folder: Path, evil: Evil) -> Path:
    """Write a pipe with one crack whose works before the sleeve are done.

    What is matched (ids, system and packer names) carries the text on both sides.
    """
    of = evil.of
    pipe, a, b = of("P1"), of("A"), of("B")
    system, packer, crew, town = (
        json.dumps(of(n), ensure_ascii=False)[1:-1] for n in ("felt", "pack", "North", "Town")
    )
    head = ["inspection_id", "pipe_id", "start_node", "end_node", "date", "laterals_coded", "s_m",
            "code", "char1", "char2", "q1", "remark", "photo", "video"]  # fmt: skip
    run = [of("R"), pipe, a, b, "2025-05-01", "yes"]
    more = [of(word) for word in ("seen", "p.jpg", "v.mp4")]
    surveys = [
        head,
        [*run, "0", "BCD", "A", "", "", *more],
        [*run, "12.5", "BAB", "C", "B", "6", *more],
        [*run, "20.0", f"BAB{evil.after}", "C", "B", "6", *more],
        [*run, "39.2", "BCE", "A", "", "", *more],
    ]
    done = [["step", "pipe_id", "node_id", "done_on", "by"]]
    done += [["check_access", "", node, "2026-01-09", of("Ada")] for node in (a, b)]
    done += [[step, pipe, "", "2026-01-09", of("Ada")] for step in ("clean", "look")]
    steps = 'steps = ["flow_control", "sleeve", "reopen", "verify"]'
    crews = CREWS.replace('"North"', f'"{crew}"').replace('"felt"', f'"{system}"')
    write_project(
        folder,
        planner_toml=PROJECT.replace('"Three pipes"', f'"{town}"'),
        surveys_csv=cells(surveys),
        systems_toml=SYSTEMS.replace('"felt"', f'"{system}"', 1)
        .replace('"P1"', f'"{packer}"')
        .replace("lengths_m = [1.0]", "lengths_m = [1.0, 2.0]"),
        prices_toml=PRICES,
        crews_toml=crews.replace('"P1"', f'"{packer}"').replace('steps = ["sleeve"]', steps),
        done_csv=cells(done),
        stock_csv=cells([["item", "system", "mass_kg"], ["resin", of("felt"), "120"]]),
    )
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
    layers = {
        "pipes": [({"pipe_id": pipe, "us_node": a, "ds_node": b, "dn": "DN 200", "len": 39.2,
                    "material": of("clay"), "area": of("west")},
                   "LineString", [SPOTS["A"], SPOTS["B"]])],
        "nodes": [({"node_id": node, "access": "open", "street": of("Lane")}, "Point", spot)
                  for node, spot in ((a, SPOTS["A"]), (b, SPOTS["B"]))],
        "streets": [({"name": of("Long Street")}, "LineString", [SPOTS["A"], SPOTS["D"]])],
    }  # fmt: skip
    for name, features in layers.items():
        rows = [
            {"type": "Feature", "properties": told, "geometry": {"type": kind, "coordinates": xy}}
            for told, kind, xy in features
        ]
        text = json.dumps({"type": "FeatureCollection", "crs": crs, "features": rows})
        (folder / f"{name}.geojson").write_text(text, "utf-8")
    return folder


def write_form(folder: Path, evil: Evil) -> Path:
    """Write decisions: the unknown code needs nothing, the pipe's choice is accepted."""
    of = evil.of
    rows = [["pipe_id", "span_id", "decision", "by", "on", "reason"]]
    rows += [[of("P1"), span, decision, of("Eve"), "2026-01-09", of("because")]
             for span, decision in (("D-000002", "nothing"), ("", "accept"))]  # fmt: skip
    (folder / "form.csv").write_text(cells(rows), "utf-8")
    return folder / "form.csv"
