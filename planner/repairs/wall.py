"""Hold the wall of each placed sleeve against ASTM F1216 Appendix X1; it moves no rule.

What is not known sharply goes in as an interval and comes out as one: the wall asked for is
reckoned at its mild and at its worst end, and the sleeve's wall is enough, is not, or stays
undecided. Unknown water is none at the mild end and stands to the ground at the worst, and
alone keeps a check undecided unless the wall is too thin without any.

References
----------
Formulas and their pages stand in `planner.ground.wall` and `planner.ground.loads`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import (
    NODES,
    PIPES,
    SLEEVE_SPANS,
    SLEEVES,
    SPANS,
    WALL_CHECKS,
    WALL_FIGURES,
)
from planner.contracts.facts import Tables
from planner.ground import wall
from planner.ground.loads import Numbers
from planner.repairs.wall_ends import CLAUSES, End, reckon
from planner.repairs.wall_figures import list_figures
from planner.repairs.wall_inputs import SCOPE_MM, Marks, Texts, WallInputs, gather
from planner.settings import Design
from planner.tables import check, conform, empty

CAUTION = (
    "a check to be signed by an engineer: F1216 reckons a ring of endless length in a circular "
    "pipe; the ends of a short sleeve, their sealing and their bond are not covered"
)
# A tenth of a micrometre: what floats leave over is no lack of wall [mm].
_EVEN_MM = 1e-4


def check_walls(
    tables: Tables, design: Design, origins: Mapping[str, str]
) -> dict[str, pd.DataFrame]:
    """Check the wall of each sleeve, and list every figure that went in.

    Parameters
    ----------
    tables
        Of it: sleeves, sleeve_spans, spans, pipes, nodes.
    design
        Settings of the check.
    origins
        Layer of each setting by ``section.key``, as `Settings.origins` has it.

    Returns
    -------
    tables
        ``wall_checks`` obeys `WALL_CHECKS`, ``wall_figures`` obeys `WALL_FIGURES`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    for table in (SLEEVES, SLEEVE_SPANS, SPANS, PIPES, NODES):
        check(tables[table.name], table)
    sleeves = tables["sleeves"]
    if sleeves.empty:
        return {"wall_checks": empty(WALL_CHECKS), "wall_figures": empty(WALL_FIGURES)}
    given = gather(tables, design, origins)
    mild, worst = (reckon(given, design, highest=highest) for highest in (False, True))
    checks = _checked(sleeves, given, design, (mild, worst))
    figures = list_figures(checks, given, design, origins, (mild, worst))
    return {"wall_checks": conform(checks, WALL_CHECKS), "wall_figures": figures}


def _checked(
    sleeves: pd.DataFrame, given: WallInputs, design: Design, ends: tuple[End, End]
) -> dict[str, Any]:
    """Join the clauses to one wall, round it up, and hold the sleeve's against it."""
    mild, worst = ends
    # At the mild end an unknown clause asks for nothing; at the worst it leaves all unknown.
    low, high = np.fmax.reduce(mild.walls, axis=0), np.maximum.reduce(worst.walls, axis=0)
    floor = design.floor_mm
    asked_low, asked_high = (wall.rounded_up(one, floor, design.step_mm) for one in (low, high))
    own = sleeves["wall_mm"].to_numpy(dtype=float)
    plies = sleeves["plies"].to_numpy(dtype=float, na_value=np.nan)
    fits = ~given.no_circle & ~given.shape_unknown & ~given.out_of_scope
    short = fits & (own < asked_low - _EVEN_MM)
    enough = fits & ~given.water_unknown & (own >= asked_high - _EVEN_MM)
    state = np.where(short, "no", np.where(enough, "yes", "undecided")).astype(object)
    governing = _governing(worst.walls, high, floor)
    checks = {
        "sleeve_id": sleeves["sleeve_id"],
        "pipe_id": sleeves["pipe_id"],
        "condition": design.condition,
        "edition": design.edition,
        "inside_mm": given.bore,
        "wall_mm": own,
        "plies": sleeves["plies"],
        "needed_low_mm": low,
        "needed_high_mm": high,
        "governing": governing,
        "floor_mm": floor,
        "asked_low_mm": asked_low,
        "asked_high_mm": asked_high,
        "plies_asked": pd.array(
            np.ceil(np.round(asked_high * plies / own, 6)), dtype="Float64"
        ).astype("Int64"),
        "margin_mm": own - asked_high,
        "state": state,
        "caution": CAUTION,
    }
    return {**checks, "why": _why(checks, given, design)}


def _governing(walls: Numbers, high: Numbers, floor: float) -> Texts:
    known = ~np.isnan(high)
    most = np.argmax(np.where(known, walls, 0.0), axis=0)
    words = np.array(CLAUSES, dtype=object)[most]
    words[known & (high <= 0.0)] = "none: no groundwater above the invert"
    words[known & (high < floor)] = "owner's least wall"
    words[~known] = ""
    return np.asarray(words, dtype=object)


def _why(checks: Mapping[str, Any], given: WallInputs, design: Design) -> Texts:
    """Say the result, then each thing that is not known or does not fit."""
    low, high, own = (_mm(checks[name]) for name in ("asked_low_mm", "asked_high_mm", "wall_mm"))
    state, by = checks["state"], checks["governing"]
    no_row = np.isnan(checks["wall_mm"])
    wall_is = np.where(no_row, "the system names no wall for this size", "the wall of " + own)
    asked = np.where(low == high, high, low + " to " + high)
    enough = wall_is + " reaches the " + high + " asked (" + by + ")"
    too_thin = wall_is + " is under the least asked, " + low
    open_words = wall_is + "; asked are " + asked + np.where(by == "", "", " (" + by + ")")
    why = np.where(state == "yes", enough, np.where(state == "no", too_thin, open_words))
    for where, words in _doubts(checks, given, design):
        why = np.where(where, why + "; " + words, why)
    return np.asarray(why, dtype=object)


def _mm(values: Numbers) -> Texts:
    """Write a wall to the hundredth, up, so that no figure looks smaller than it is."""
    figures = np.ceil(np.round(values * 100.0, 4)) / 100.0
    words = np.char.mod("%.2f mm", figures).astype(object)
    words[np.isnan(figures)] = "an unknown wall"
    return words


def _doubts(
    checks: Mapping[str, Any], given: WallInputs, design: Design
) -> list[tuple[Marks, Texts | str]]:
    """Give each doubt with the sleeves it is about."""
    own, high = checks["wall_mm"], checks["asked_high_mm"]
    full = np.full(len(own), design.condition == "full")
    no_cover = np.isnan(given.cover_high)
    least, most = SCOPE_MM
    uneven = np.where(given.shape == "circular", "not as wide as high", given.shape)
    shapes: Texts = "F1216 holds for circular pipes only and this one is " + uneven.astype(object)  # type: ignore[assignment]
    shapes = np.asarray(shapes + ": another method is needed", dtype=object)
    return [
        (given.no_circle, shapes),
        (given.shape_unknown, "the pipe's shape is not known and F1216 holds for circles only"),
        (np.isnan(given.bore), "the pipe's diameter is not known"),
        (given.out_of_scope, f"F1216 speaks of {least:g} to {most:.0f} mm (4 to 108 in) only"),
        (given.water_unknown & ~no_cover, "groundwater is not known: the most asked is with water "
         "to the ground, the least with none"),
        (given.water_unknown & no_cover, "groundwater and cover are not known"),
        (given.water_unknown & (own >= high - _EVEN_MM), "the wall is enough even so"),
        (full & no_cover & ~given.water_unknown, "the cover is not known"),
        (np.isnan(given.q_high), "a deformation is coded without a figure"),
    ]  # fmt: skip
