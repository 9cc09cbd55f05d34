"""What a wall check is reckoned from: size, shape, ovality, cover and water of each sleeve's pipe.

Every figure is an interval with the column or setting that it comes from beside it. What is
not known is NaN and its origin says so; nothing is filled with a mild figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.facts import Tables
from planner.distinct import is_among, matches, numbers_at, places_in, texts_at, unlike_in
from planner.ground.loads import Numbers, water_over_crown
from planner.settings import Design
from planner.tables import rows_in

Texts = npt.NDArray[np.object_]
Marks = npt.NDArray[np.bool_]

NOT_KNOWN = "not known"
_DEFORMED = "deformation"
# F1216-09, scope: 4 to 108 in. DN 100 is sold as the 4 in pipe.
SCOPE_MM = (100.0, 2743.2)


@dataclass(frozen=True)
class WallInputs:
    """Inputs of each sleeve, in the order of the sleeves.

    ``bore`` [mm]; ``no_circle`` and ``shape_unknown`` of the pipe's profile, ``shape`` as it
    stands; ``q_low`` and ``q_high`` ovality [%]; ``cover_low`` and ``cover_high`` ground over
    the crown [m]; ``over_crown`` water over the crown [m], where it is told so, else
    ``below_surface`` the depth of the water table [m]; ``water_unknown`` where neither is
    told: then the highest is the ground and the least is none. ``*_from`` is the origin.
    """

    bore: Numbers
    bore_from: Texts
    shape: Texts
    no_circle: Marks
    shape_unknown: Marks
    q_low: Numbers
    q_high: Numbers
    q_from: Texts
    cover_low: Numbers
    cover_high: Numbers
    cover_from: Texts
    over_crown: Numbers
    below_surface: Numbers
    water_unknown: Marks
    water_from: Texts

    @property
    def out_of_scope(self) -> Marks:
        """Sizes that F1216 does not speak of."""
        return (self.bore < SCOPE_MM[0]) | (self.bore > SCOPE_MM[1])

    def water(self, cover: Numbers, *, highest: bool) -> Numbers:
        """Give the water over the crown [m] under `cover` [m], of shape (..., sleeves)."""
        by_depth = water_over_crown(self.below_surface, "surface", cover, self.bore)
        told = np.where(np.isnan(self.over_crown), by_depth, self.over_crown)
        return told if highest else np.where(self.water_unknown, -self.bore / 1000.0, told)


def said(key: str, origins: Mapping[str, str]) -> str:
    """Name a setting of the section and the layer its value comes from."""
    return f"design.{key} ({origins.get(f'design.{key}', 'given')})"


def gather(tables: Tables, design: Design, origins: Mapping[str, str]) -> WallInputs:
    """Gather the inputs of each sleeve's check.

    Parameters
    ----------
    tables
        Of it: sleeves, sleeve_spans, spans, pipes, nodes.
    design
        Settings of the check.
    origins
        Layer of each setting, for the words.
    """
    sleeves = tables["sleeves"]
    table = pd.DataFrame(tables["pipes"])
    at = places_in(sleeves["pipe_id"], table["pipe_id"])
    pipes: dict[str, npt.NDArray[Any]] = {name: numbers_at(table[name], at) for name in _FIGURES}
    pipes |= {name: texts_at(table[name], at).to_numpy(dtype=object) for name in _TEXTS}
    bore, bore_from = _bore(pipes)
    shape, wide, high = (pipes[name] for name in ("shape", "width_mm", "height_mm"))
    unknown = np.isin(shape, ("", "unknown"))
    q_low, q_high, q_from = _ovality(tables, design, said("ovality_pct", origins))
    cover_low, cover_high, cover_from = _cover(pipes, tables["nodes"], bore, design, origins)
    over = pipes["water_over_crown_m"]
    unstated = f"{NOT_KNOWN}: from the invert up to the ground"
    water_from = np.where(np.isnan(over), unstated, "pipes.water_over_crown_m").astype(object)
    below = np.where(np.isnan(over), 0.0, np.nan)
    blank = np.isnan(over)
    if design.water_from != "unknown":
        water_from[blank] = f"design.water_from = {design.water_from}, {said('water_m', origins)}"
        if design.water_from == "surface":
            below = np.where(blank, design.water_m, np.nan)
        else:
            stated = water_over_crown(design.water_m, design.water_from, np.nan, bore)
            over = np.where(blank, stated, over)
        blank = np.zeros(len(sleeves), dtype=bool)
    return WallInputs(
        bore, bore_from, shape, ~unknown & ((shape != "circular") | (np.abs(wide - high) > 0.5)),
        unknown, q_low, q_high, q_from, cover_low, cover_high, cover_from, over, below, blank,
        water_from,
    )  # fmt: skip


_FIGURES = ("inside_mm", "height_mm", "width_mm", "dn_mm", "depth_m", "water_over_crown_m")
_TEXTS = ("shape", "us_node", "ds_node")
Columns = Mapping[str, npt.NDArray[Any]]
"""Columns of the pipes, row by row of the sleeves."""


def _bore(pipes: Columns) -> tuple[Numbers, Texts]:
    """Take the measured diameter, else the height, else the nominal size."""
    names = ("inside_mm", "height_mm", "dn_mm")
    bore = np.full(len(pipes["dn_mm"]), np.nan)
    origin = np.full(len(bore), NOT_KNOWN, dtype=object)
    for name in names:
        values = pipes[name]
        take = np.isnan(bore) & (values > 0.0)
        bore[take], origin[take] = values[take], f"pipes.{name}"
    return bore, origin


def _ovality(tables: Tables, design: Design, setting: str) -> tuple[Numbers, Numbers, Texts]:
    """Take the largest deformation seen under the sleeve, and at least the setting.

    A deformation is coded as the change of one diameter in percent of the original one, which
    is q with the original diameter as the mean: 100 (D_mean - D_min) / D_mean. A coded
    deformation without a figure leaves the highest unknown.
    """
    sleeves, spans = tables["sleeves"], tables["spans"]
    ends = [spans[f"deformation_pct_{end}"].to_numpy(dtype=float) for end in ("low", "high")]
    coded = ~np.isnan(ends[0]) | ~np.isnan(ends[1])
    for name in ("mechanisms", "lent"):
        told = [text for text in unlike_in(spans[name]) if _DEFORMED in text.split("+")]
        coded |= is_among(spans[name], told)
    of = np.flatnonzero(coded)
    one, other = matches(sleeves["pipe_id"], spans["pipe_id"].array.take(of))
    other = of[other]
    start, end = (sleeves[name].to_numpy(dtype=float)[one] for name in ("from_m", "to_m"))
    from_m, to_m = (spans[name].to_numpy(dtype=float)[other] for name in ("from_m", "to_m"))
    served = set(rows_in(tables["sleeve_spans"], ["sleeve_id", "span_id"])) if len(of) else set()
    ids, names = sleeves["sleeve_id"].array.take(one), spans["span_id"].array.take(other)
    pairs = zip(ids.tolist(), names.tolist(), strict=True)
    own = np.array([pair in served for pair in pairs], dtype=bool)
    under = np.flatnonzero(((from_m <= end) & (to_m >= start)) | own)
    one, other = one[under], other[under]
    low, high = np.full(len(sleeves), np.nan), np.full(len(sleeves), np.nan)
    np.fmax.at(low, one, np.where(np.isnan(ends[0]), 0.0, ends[0])[other])
    # inf holds the place of an unknown end, so that the largest keeps it.
    np.fmax.at(high, one, np.where(np.isnan(ends[1]), np.inf, ends[1])[other])
    low, high = np.fmax(low, design.ovality_pct), np.fmax(high, design.ovality_pct)
    origin = np.where(high > design.ovality_pct, "spans.deformation_pct", setting).astype(object)
    return low, np.where(np.isinf(high), np.nan, high), origin


def _cover(
    pipes: Columns,
    nodes: pd.DataFrame,
    bore: Numbers,
    design: Design,
    origins: Mapping[str, str],
) -> tuple[Numbers, Numbers, Texts]:
    """Take depths of the invert at the pipe and at its nodes, less the diameter."""
    of_nodes = [
        numbers_at(nodes["depth_m"], places_in(pipes[end], nodes["node_id"]))
        for end in ("us_node", "ds_node")
    ]
    depths = np.array([pipes["depth_m"], *of_nodes])
    low, high = (ends.reduce(depths, axis=0) - bore / 1000.0 for ends in (np.fmin, np.fmax))
    of_pipe, of_node = ~np.isnan(depths[0]), ~np.isnan(depths[1:]).all(axis=0)
    origin = np.full(len(bore), "pipes.depth_m and nodes.depth_m - diameter", dtype=object)
    origin[of_pipe & ~of_node] = "pipes.depth_m - diameter"
    origin[~of_pipe & of_node] = "nodes.depth_m - diameter"
    buried = low >= 0.0
    origin[~buried] = NOT_KNOWN
    origin[low < 0.0] = f"{NOT_KNOWN}: the depth is less than the diameter"
    low, high = (np.where(buried, ends, np.nan) for ends in (low, high))
    if design.cover_m > 0.0:
        blank = ~of_pipe & ~of_node
        low, high = (np.where(blank, design.cover_m, ends) for ends in (low, high))
        origin[blank] = said("cover_m", origins)
    return low, high, origin
