"""What is doubtful about a network as it was read: directions, falls, and what it does not say."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from planner.errors import shown
from planner.inputs.attributes import RESERVED
from planner.inputs.orient import Oriented
from planner.inputs.vector import Layer

TURNED = "drawn against its nodes, turned"
UNPROVED = "direction not proved"
Doubts = list[tuple[str, str]]
# A size within other words; at least this share of a column's texts must hold one.
_SIZE = re.compile(
    r"(?:\bDN\s?\d{2,4}\b|\b\d{1,4}(?:\.\d+)?\s?(?:in\b|inch|mm\b|\"))", re.IGNORECASE
)
_MOST = 0.05
_NAMED = 20


def direction_doubts(pipes: pd.DataFrame, turned: Oriented, snap_m: float) -> Doubts:
    """Say which pipes lack nodes, run from a node to itself, or may run the other way.

    Parameters
    ----------
    pipes
        pipe_id, us_node, ds_node, in the order of `turned`.
    turned
        Their lines, turned where the nodes prove it.
    snap_m
        How far a line's end may be from its node [m].
    """
    doubts: Doubts = []
    names = (pipes[name].tolist() for name in ("pipe_id", "us_node", "ds_node"))
    for place, (pipe_id, us, ds) in enumerate(zip(*names, strict=True)):
        if not us and not ds:
            doubts.append((pipe_id, "names no node at either end"))
        elif us == ds:
            doubts.append((pipe_id, f"runs from node {us} to itself"))
        elif not us or not ds:
            doubts.append((pipe_id, f"names no node at its {'upper' if not us else 'lower'} end"))
        if turned.lines[place] is None:
            continue
        if turned.turned[place]:
            doubts.append((pipe_id, TURNED))
        elif turned.torn[place]:
            doubts.append((pipe_id, f"{UNPROVED}: its two nodes ask for opposite directions"))
        elif not turned.proved[place]:
            why = f"no node is known within {snap_m:g} m of one end alone"
            doubts.append((pipe_id, f"{UNPROVED}: {why}"))
    return doubts


def fall_doubts(pipes: pd.DataFrame, nodes: pd.DataFrame) -> Doubts:
    """Say which pipes rise or lie level from us_node to ds_node by their inverts.

    Parameters
    ----------
    pipes
        us_invert_m, ds_invert_m; where one is blank the invert of its node stands for it.
    nodes
        node_id, invert_m.

    Returns
    -------
    doubts
        Whether the network names the wrong end or the pipe has settled is for a person.
    """
    own = nodes.set_index("node_id")["invert_m"] if len(nodes) else pd.Series(dtype="float64")
    ends = []
    for end in ("us", "ds"):
        at_node = pipes[f"{end}_node"].map(own).astype("float64")
        ends.append(pipes[f"{end}_invert_m"].astype("float64").fillna(at_node))
    fall_m = (ends[0] - ends[1]).to_numpy()
    doubts: Doubts = []
    for place in np.flatnonzero(fall_m <= 0).tolist():
        row = pipes.iloc[place]
        way = f"from {row['us_node'] or '?'} to {row['ds_node'] or '?'}, by the inverts"
        if fall_m[place] < 0:
            what = f"rises by {-fall_m[place]:.2f} m {way}: direction in doubt"
        else:
            what = f"lies level {way}"
        doubts.append((str(row["pipe_id"]), what))
    return doubts


def say_blanks(
    pipes: pd.DataFrame, name: str, size_texts: list[str], unused: list[str]
) -> list[str]:
    """Say of how many pipes size and material are not known, and where they may stand."""
    count = len(pipes)
    sized = pipes[["height_mm", "width_mm", "dn_mm"]].notna().any(axis=1)
    blanks = {"size": int((~sized).sum()), "material": int((pipes["material"] == "").sum())}
    said = [f"{number} without a {what}" for what, number in blanks.items() if number]
    lines = [f"{name}: of {count} pipes {', '.join(said)}"] if said else []
    if lines and unused and count in blanks.values():
        lines[0] += f"; columns not used: {', '.join(unused[:_NAMED])}"
    if blanks["size"] and size_texts:
        lines.append(f"{name}: sizes stand in the words of {'; '.join(size_texts)}: not read")
    return lines


def say_streets(nodes: pd.DataFrame, name: str, unused: list[str]) -> list[str]:
    """Say how to name streets, where no manhole names its own.

    Parameters
    ----------
    nodes
        street.
    name
        The layer of manholes, '' where there is none.
    unused
        Its columns that nothing is read from.
    """
    if nodes.empty or (nodes["street"].fillna("") != "").any():
        return []
    shown_as = "sheets, notices and lists will say 'street not known'"
    if not name:
        return [
            f"streets: there is no layer of manholes, which name them: {shown_as}; give one as "
            '[nodes], with columns = {node_id = "...", street = "..."}'
        ]
    could = f"; columns not used: {', '.join(unused[:_NAMED])}" if unused else ""
    return [
        f"{name}: no manhole names its street: {shown_as}; to name its column write "
        f'street = "..." among the columns of [nodes]{could}'
    ]


def sizes_in_texts(layer: Layer) -> list[str]:
    """Name the columns whose words hold sizes, such as a scope of works, each with one text."""
    found = []
    for column in layer.frame.columns:
        name = str(column)
        if name in RESERVED or name in layer.numbers or name == layer.frame.geometry.name:
            continue
        texts = layer.frame[column].astype(str)
        words = texts.str.contains(r"[A-Za-z]{3}") & ~texts.str.match(r"[\[{]")
        held = texts[words & texts.str.contains(_SIZE)]
        if len(held) and len(held) >= _MOST * len(texts):
            found.append(f"{shown(name)}, as '{shown(str(held.iloc[0]))}'")
    return found
