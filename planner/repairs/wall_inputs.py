"""What a wall check is reckoned from: size, shape, ovality, cover and water of each sleeve's pipe.

Every figure is an interval with the column or setting that it comes from beside it. What is
not known is NaN and its origin says so; nothing is filled with a mild figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.facts import Tables
from planner.ground.loads import Numbers, water_over_crown
from planner.settings import Design

Texts = npt.NDArray[np.object_]
Marks = npt.NDArray[np.bool_]

NOT_KNOWN = "not known"
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
    pipes = pd.DataFrame(tables["pipes"]).set_index("pipe_id").reindex(sleeves["pipe_id"])
    bore, bore_from = _bore(pipes)
    shape = pipes["shape"].fillna("").to_numpy(dtype=object)
    wide, high = (pipes[name].to_numpy(dtype=float) for name in ("width_mm", "height_mm"))
    unknown = np.isin(shape, ("", "unknown"))
    q_low, q_high, q_from = _ovality(tables, design, said("ovality_pct", origins))
    cover_low, cover_high, cover_from = _cover(pipes, tables["nodes"], bore, design, origins)
    over = pipes["water_over_crown_m"].to_numpy(dtype=float)
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


def _bore(pipes: pd.DataFrame) -> tuple[Numbers, Texts]:
    """Take the measured diameter, else the height, else the nominal size."""
    names = ("inside_mm", "height_mm", "dn_mm")
    bore = np.full(len(pipes), np.nan)
    origin = np.full(len(pipes), NOT_KNOWN, dtype=object)
    for name in names:
        values = pipes[name].to_numpy(dtype=float)
        take = np.isnan(bore) & (values > 0.0)
        bore[take], origin[take] = values[take], f"pipes.{name}"
    return bore, origin


def _ovality(tables: Tables, design: Design, setting: str) -> tuple[Numbers, Numbers, Texts]:
    """Take the largest deformation seen under the sleeve, and at least the setting.

    A deformation is coded as the change of one diameter in percent of the original one, which
    is q with the original diameter as the mean: 100 (D_mean - D_min) / D_mean. A coded
    deformation without a figure leaves the highest unknown.
    """
    sleeves = tables["sleeves"][["sleeve_id", "pipe_id", "from_m", "to_m"]]
    spans = tables["spans"]
    named = [
        spans[name].str.split("+").map(lambda words: "deformation" in words)
        for name in ("mechanisms", "lent")
    ]
    figures = spans[["deformation_pct_low", "deformation_pct_high"]].notna().any(axis=1)
    spans = spans[figures | named[0].astype(bool) | named[1].astype(bool)]
    pairs = sleeves.merge(spans, on="pipe_id", suffixes=("", "_span"))
    served = pd.MultiIndex.from_frame(tables["sleeve_spans"][["sleeve_id", "span_id"]])
    own = pd.MultiIndex.from_frame(pairs[["sleeve_id", "span_id"]]).isin(served)
    under = (pairs["from_m_span"] <= pairs["to_m"]) & (pairs["to_m_span"] >= pairs["from_m"])
    pairs = pairs[under.to_numpy(dtype=bool) | own]
    # inf holds the place of an unknown end, so that the largest keeps it.
    ends = pd.DataFrame(
        {
            "low": pairs["deformation_pct_low"].fillna(0.0),
            "high": pairs["deformation_pct_high"].fillna(np.inf),
        }
    )
    largest = ends.groupby(pairs["sleeve_id"]).max().reindex(sleeves["sleeve_id"])
    low = np.fmax(largest["low"].to_numpy(dtype=float), design.ovality_pct)
    high = np.fmax(largest["high"].to_numpy(dtype=float), design.ovality_pct)
    origin = np.where(high > design.ovality_pct, "spans.deformation_pct", setting).astype(object)
    return low, np.where(np.isinf(high), np.nan, high), origin


def _cover(
    pipes: pd.DataFrame,
    nodes: pd.DataFrame,
    bore: Numbers,
    design: Design,
    origins: Mapping[str, str],
) -> tuple[Numbers, Numbers, Texts]:
    """Take depths of the invert at the pipe and at its nodes, less the diameter."""
    depth = pd.Series(nodes["depth_m"].to_numpy(dtype=float), index=nodes["node_id"])
    depths = np.array(
        [
            pipes["depth_m"].to_numpy(dtype=float),
            depth.reindex(pipes["us_node"]).to_numpy(dtype=float),
            depth.reindex(pipes["ds_node"]).to_numpy(dtype=float),
        ]
    ).reshape(3, len(pipes))
    low, high = (ends.reduce(depths, axis=0) - bore / 1000.0 for ends in (np.fmin, np.fmax))
    of_pipe, of_node = ~np.isnan(depths[0]), ~np.isnan(depths[1:]).all(axis=0)
    origin = np.full(len(pipes), "pipes.depth_m and nodes.depth_m - diameter", dtype=object)
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
