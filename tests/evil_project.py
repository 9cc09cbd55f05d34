"""A project that goes the whole way to a visit, with any text in every field that takes text."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
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

    def quoted(word: str) -> str:
        return json.dumps(of(word), ensure_ascii=False)

    pipe, a, b = of("P1"), of("A"), of("B")
    system, packer, crew, town = (quoted(n)[1:-1] for n in ("felt", "pack", "North", "Town"))
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
        planner_toml=PROJECT.replace('"Three pipes"', f'"{town}"')
        + '[addresses]\nfile = "houses.geojson"\n'
        + f"[conditions.2026-01]\nair_c = 12\nwall_c = 10\nsource = {quoted('forecast')}\n",
        surveys_csv=cells(surveys),
        systems_toml=SYSTEMS.replace('"felt"', f'"{system}"', 1)
        .replace('"P1"', f'"{packer}"')
        .replace("lengths_m = [1.0]", "lengths_m = [1.0, 2.0]")
        .replace('carrier = "felt"', f'carrier = "felt"\nsource = {quoted("leaflet")}')
        .replace("[[system.process]]", made_of(quoted), 1),
        prices_toml=PRICES.replace('"a"', quoted("a"))
        + f"source = {quoted('tender')}\nplace = {quoted('Quay')}\n",
        crews_toml=crews.replace('"P1"', f'"{packer}"').replace('steps = ["sleeve"]', steps),
        done_csv=cells(done),
        stock_csv=cells([["item", "system", "mass_kg"], ["resin", of("felt"), "120"]]),
        hours_toml=hours(quoted),
        lots_csv=cells(
            [
                ["lot", "item", "system", "mass_kg", "use_by", "note"],
                [of("L-1"), "resin", of("felt"), "1", "2026-05-01", of("top shelf")],
            ]
        ),
        notices_csv=cells(
            [
                ["pipe_id", "address", "for_date", "sent_on", "by"],
                [pipe, of("house"), "2026-01-12", "", of("Nora")],
            ]
        ),
    )
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
    layers = {
        "pipes": [({"pipe_id": pipe, "us_node": a, "ds_node": b, "dn": "DN 200", "len": 39.2,
                    "material": of("clay"), "area": of("west")},
                   "LineString", [SPOTS["A"], SPOTS["B"]])],
        "nodes": [({"node_id": node, "access": "open", "street": of("Lane")}, "Point", spot)
                  for node, spot in ((a, SPOTS["A"]), (b, SPOTS["B"]))],
        "streets": [({"name": of("Long Street")}, "LineString", [SPOTS["A"], SPOTS["D"]])],
        "houses": [({"address_id": of("H1"), "street": of("Lane"), "house": of("7 b"),
                     "pipe_id": pipe}, "Point", (SPOTS["A"][0] + 12.0, SPOTS["A"][1]))],
    }  # fmt: skip
    for name, features in layers.items():
        rows = [
            {"type": "Feature", "properties": told, "geometry": {"type": kind, "coordinates": xy}}
            for told, kind, xy in features
        ]
        text = json.dumps({"type": "FeatureCollection", "crs": crs, "features": rows})
        (folder / f"{name}.geojson").write_text(text, "utf-8")
    return folder


def made_of(quoted: Callable[[str], str]) -> str:
    """Say where a system's figures come from, what it is wound from and mixed of, its order."""
    return f"""[[system.material]]
material = {quoted("wrap")}
form = "strip"
width_mm = 300
lap_ratio = 0.5
pack_m = 100
source = {quoted("leaflet")}
[[system.part]]
part = {quoted("hardener")}
share = 1
share_by = "mass"
density_kg_per_l = 1.0
source = {quoted("leaflet")}
[[system.order]]
say = {quoted("Rope on")}
[[system.process]]"""


def hours(quoted: Callable[[str], str]) -> str:
    """Hours of streets, a closed street elsewhere, a forecast and a permit."""
    return f"""[[window]]
street_class = ""
days = ["mon", "tue", "wed", "thu", "fri"]
open = "08:00"
close = "17:00"
source = {quoted("council")}
[[closed]]
from_date = 2026-01-15
to_date = 2026-01-15
street = {quoted("Fair Street")}
why = {quoted("market")}
[[weather]]
date = 2026-01-16
weather = "rain"
source = {quoted("forecast")}
[[permit]]
number = {quoted("T-1")}
street = {quoted("Lane")}
from_date = 2026-01-12
to_date = 2026-01-12
open = "07:00"
close = "18:00"
state = "granted"
"""


def write_events(folder: Path, evil: Evil) -> Path:
    """Write what happened: a cleaning done and charged, resin received."""
    of = evil.of
    head = ["kind", "step", "pipe_id", "at", "by", "crew", "item", "system", "lot", "mass_kg",
            "photo", "note"]  # fmt: skip
    work = ["clean", of("P1")]
    rows = [
        ["done", *work, "2026-01-10T09:00", of("Ada"), of("North"), "", "", "", "", of("p.jpg"),
         of("rain")],
        ["chargeable", *work, "2026-01-10T12:00", of("Max"), "", "", "", "", "", "", of("seen")],
        ["received", "", "", "2026-01-10T13:00", of("Ada"), "", "resin", of("felt"), of("L-1"),
         "50", "", of("late")],
    ]  # fmt: skip
    (folder / "events_form.csv").write_text(cells([head, *rows]), "utf-8")
    return folder / "events_form.csv"


def write_form(folder: Path, evil: Evil) -> Path:
    """Write decisions: the unknown code needs nothing, the pipe's choice is accepted."""
    of = evil.of
    rows = [["pipe_id", "span_id", "decision", "by", "on", "reason"]]
    rows += [[of("P1"), span, decision, of("Eve"), "2026-01-09", of("because")]
             for span, decision in (("D-000002", "nothing"), ("", "accept"))]  # fmt: skip
    (folder / "form.csv").write_text(cells(rows), "utf-8")
    return folder / "form.csv"
