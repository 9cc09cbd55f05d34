"""The map of what ``check`` found: where each survey lies, what is doubtful, what has no place."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.ground_layers import laterals_layer, nodes_layer, streets_layer
from planner.outputs.layers import (
    DRAWN_ROLES,
    Sheet,
    pipe_length,
    pipe_size,
    video_text,
    words,
)
from planner.outputs.map import render
from planner.outputs.packing import Layer, has_shape, records, shapes_of, stretch_text
from planner.outputs.palette import PLACING, PLACING_ORDER
from planner.outputs.panel import legend, looks

LISTED = 40
"""So many reasons stand in the panel; all stand in the files beside the map."""


def draw_placing(tables: Tables, facts: RunFacts) -> str:
    """Draw pipes by how their surveys could be placed, and each placed row.

    Parameters
    ----------
    tables : Tables
        pipes, nodes, laterals, streets, inspections, observations, defects as located,
        flags and left_over.
    facts : RunFacts
        Name and units.

    Returns
    -------
    str
        The page, to be written as UTF-8.
    """
    sheet = Sheet(tables, facts)
    doubts = _doubts(tables)
    classes = placing_classes(tables, doubts)
    layers = {
        "streets": streets_layer(sheet).pack(),
        "pipes": _pipes(sheet, classes, doubts).pack(),
        "laterals": laterals_layer(sheet).pack(),
        "nodes": nodes_layer(sheet).pack(),
        "defects": _rows(sheet, doubts).pack(),
    }
    panel = {
        "title": f"{facts.name or 'Project'}: what lies where",
        "week": "As read by sleeveplan check; nothing is decided here.",
        "made_by": f"sleeveplan {facts.version}",
        "band": "",
        "notes": ["Invented data: no real town, no real pipes."] if facts.invented else [],
        "legend": legend(sheet, layers, classes, PLACING_ORDER),
        "counts": {name: len(layer["n"]) for name, layer in layers.items()},
        "heads": [],
        "total": [],
        "lists": [["Not placed", _left(tables)], ["Not on the map", _undrawn(sheet)]],
    }
    data = {
        "looks": looks(PLACING, PLACING_ORDER),
        "layers": layers,
        "routes": [],
        "panel": panel,
        "imperial": facts.units == "us",
    }
    return render("What lies where", data)


def placing_classes(tables: Tables, doubts: dict[str, list[str]]) -> list[str]:
    """Give each row of `PIPES` the word of `palette.PLACING` that it is drawn in.

    A pipe with surveys of which no row lies on it is ``stopped``; one with a doubt, or
    with rows that could not be placed beside others that could, is ``doubt``.
    """
    runs, defects = tables["inspections"], tables["defects"]
    seen, lying = set(runs["pipe_id"]) - {""}, set(defects["pipe_id"])
    left = {pipe for pipe in _left_on(tables) if pipe}
    coded = set(tables["observations"]["inspection_id"])
    with_rows = set(runs.loc[runs["inspection_id"].isin(coded), "pipe_id"])
    out = []
    for pipe, placing in zip(tables["pipes"]["pipe_id"], tables["pipes"]["placing"], strict=True):
        if pipe not in seen:
            out.append("unseen")
        elif placing == "stopped" or (pipe in with_rows and pipe not in lying):
            out.append("stopped")
        else:
            out.append("doubt" if pipe in left or doubts.get(pipe) else "placed")
    return out


def _left_on(tables: Tables) -> dict[str, list[str]]:
    """Give the reasons of left rows by the pipe that their run was matched to, '' for none."""
    pipe_of = _pipe_of(tables)
    found: dict[str, list[str]] = defaultdict(list)
    left = tables["left_over"]
    for key, row, reason in zip(left["key"], left["row"], left["reason"], strict=True):
        where = f"row {row}" if not pd.isna(row) else str(key)
        found[pipe_of.get(str(key), "")].append(f"{where}, not placed: {reason}")
    return found


def _pipe_of(tables: Tables) -> dict[str, str]:
    """Give the pipe of each run and of each coded row."""
    runs, rows = tables["inspections"], tables["observations"]
    of_run = dict(zip(runs["inspection_id"], runs["pipe_id"], strict=True))
    of_row = zip(rows["observation_id"], rows["inspection_id"], strict=True)
    return {**{str(row): str(of_run.get(run, "")) for row, run in of_row},
            **{str(run): str(pipe) for run, pipe in of_run.items()}}  # fmt: skip


def _doubts(tables: Tables) -> dict[str, list[str]]:
    """Give the doubts about each pipe, its runs and its rows, by pipe."""
    pipe_of = _pipe_of(tables)
    pipes = set(tables["pipes"]["pipe_id"])
    found: dict[str, list[str]] = defaultdict(list)
    flags = tables["flags"]
    for key, what in zip(flags["key"], flags["what"], strict=True):
        pipe = str(key) if key in pipes else pipe_of.get(str(key), "")
        if pipe:
            found[pipe].append(what if key == pipe else f"{key}: {what}")
    return found


def _pipes(sheet: Sheet, classes: list[str], doubts: dict[str, list[str]]) -> Layer:
    pipes = sheet.tables["pipes"]
    drawn = has_shape(pipes)
    part = pipes.loc[drawn].reset_index(drop=True)
    rows = records(part)
    runs: dict[str, list[str]] = defaultdict(list)
    for run in records(sheet.tables["inspections"].sort_values(["date", "inspection_id"])):
        runs[run["pipe_id"]].append(_run(run, sheet))
    left = _left_on(sheet.tables)
    fields = {
        "Pipe": [row["pipe_id"] for row in rows],
        "From, to": [f"{row['us_node'] or '?'} to {row['ds_node'] or '?'}" for row in rows],
        "Size": [pipe_size(row, sheet.facts.units) for row in rows],
        "Material": [row["material"] for row in rows],
        "Length": [pipe_length(row, sheet) for row in rows],
        "Surveys": [str(len(runs[row["pipe_id"]])) for row in rows],
    }
    more = {
        number: lines
        for number, row in enumerate(rows)
        if (
            lines := runs[row["pipe_id"]]
            + doubts.get(row["pipe_id"], [])
            + left.get(row["pipe_id"], [])
        )
    }
    shown = [word for word, ok in zip(classes, drawn, strict=True) if ok]
    title = "Surveys, doubts, rows not placed"
    return Layer(shapes_of(part), part.crs, shown, fields, more_title=title, more=more)


def _run(run: dict[str, Any], sheet: Sheet) -> str:
    from_node = run["counter_node"]
    start = f"counter runs from {from_node}" if from_node else "start of the counter not proved"
    length = f", {sheet.length(run['surveyed_m'])} seen" if run["surveyed_m"] >= 0 else ""
    how = f", matched by {run['matched_by']}" if run["matched_by"] else ""
    when = f" of {run['date']}" if run["date"] else ""
    zero = f", zero at {run['zero_at']}" if run["zero_at"] != "unknown" else ", zero not known"
    return f"Survey {run['inspection_id']}{when}: {start}{zero}{length}{how}"


def _rows(sheet: Sheet, doubts: dict[str, list[str]]) -> Layer:
    """Draw each placed damage, condition and flag at its coded station."""
    defects = sheet.tables["defects"]
    part = defects.loc[
        defects["role"].isin(DRAWN_ROLES) & sheet.axis.holds(defects["pipe_id"])
    ].reset_index(drop=True)
    middle = (part["x_from_m"] + part["x_to_m"]) / 2
    points, angles = sheet.axis.points(part["pipe_id"], middle)
    rows, text = records(part), sheet.length
    flagged = {line.split(": ")[0] for lines in doubts.values() for line in lines}
    fields = {
        "Coded row": [words(row["mechanism"]) for row in rows],
        "Pipe": [row["pipe_id"] for row in rows],
        "Place": [
            f"{stretch_text(row['x_from_m'], row['x_to_m'], text)} from the upstream node"
            for row in rows
        ],
        "Counter": [
            f"{text(row['s_m'])} as coded, from {row['counter_node']}, +/- {text(row['find_m'])}"
            for row in rows
        ],
        "Code": [
            " ".join(str(row[k]) for k in ("code", "char1", "char2", "q1", "q2") if row[k])
            for row in rows
        ],
        "Doubt": [row["flags"] for row in rows],
        "Remark": [row["remark"] for row in rows],
        "Photo": [row["photo"] for row in rows],
        "Video": [video_text(row) for row in rows],
        "Row": [f"{row['file']}, row {row['row']}" if row["file"] else "" for row in rows],
    }
    classes = [
        "doubt" if row["flags"] or row["observation_id"] in flagged else "placed" for row in rows
    ]
    links = {name.title(): sheet.links(part[name]) for name in ("photo", "video")}
    return Layer(points, sheet.crs, classes, fields, angles=angles, links=links)


def _left(tables: Tables) -> list[str]:
    """Count left rows by reason, the most first."""
    counts = Counter(tables["left_over"]["reason"])
    lines = [f"{count} x {reason}" for reason, count in counts.most_common(LISTED)]
    return lines + ([f"and {len(counts) - LISTED} more reasons"] if len(counts) > LISTED else [])


def _undrawn(sheet: Sheet) -> list[str]:
    pipes, defects = sheet.tables["pipes"], sheet.tables["defects"]
    counts = {
        "pipes without a line": int(np.count_nonzero(~has_shape(pipes))),
        "placed rows on such pipes": int((~sheet.axis.holds(defects["pipe_id"])).sum()),
    }
    return [f"{count} {what}" for what, count in counts.items() if count]
