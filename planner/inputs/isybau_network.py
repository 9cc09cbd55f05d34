"""The network out of ISYBAU XML: pipes, manholes and their geometry, in our own column names.

References
----------
BFR Abwasser, annex A-7.4: objects of kind 1 are edges, of kind 2 nodes; points carry Rechtswert
and Hochwert, and the file names no coordinate system. That Profilart 0 is a circle and 1 an
egg is from memory.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from planner.errors import FileError
from planner.inputs.xml_guard import Node, read_xml

PIPES, NODES = "pipes", "nodes"
LAYERS = (PIPES, NODES)
NUMBERS = frozenset({"stated_m", "height_mm", "width_mm", "us_invert_m", "ds_invert_m", "year",
                     "depth_m"})  # fmt: skip
_EDGE, _NODE = "1", "2"
_USES = {"KM": "combined", "KR": "storm", "KS": "foul"}
_SHAPES = {"0": "circular", "1": "egg"}
_ROOT = "identifikation"


def read_isybau_network(path: Path, name: str, layer: str) -> gpd.GeoDataFrame:
    """Read one kind of object.

    Parameters
    ----------
    path
        The file.
    name
        Its name in messages.
    layer
        ``pipes`` or ``nodes``.

    Returns
    -------
    frame
        Attributes as text under the names of `PIPES` or `NODES`, geometry as drawn without a
        coordinate system.

    Raises
    ------
    FileError
        If it is another XML, or holds no such objects.
    """
    root = read_xml(path, name)
    if root.name != _ROOT:
        message = f"{name}: XML with root '{root.name}'; wanted ISYBAU XML"
        raise FileError(message)
    wanted, make = (_EDGE, _edge) if layer == PIPES else (_NODE, _node)
    objects = [o for o in root.under("abwassertechnischeanlage") if o.say("objektart") == wanted]
    if not objects:
        message = f"{name}: no {layer} in it (Objektart {wanted})"
        raise FileError(message)
    rows = [make(one) for one in objects]
    shapes = [_line(one) if layer == PIPES else _point(one) for one in objects]
    series = gpd.GeoSeries(shapes)  # type: ignore[arg-type]
    return gpd.GeoDataFrame(pd.DataFrame(rows, dtype="str"), geometry=series)


def _edge(one: Node) -> dict[str, str]:
    edge = one.first("kante") or Node("", one.line)
    profile = edge.first("profil") or Node("", one.line)
    kind = profile.say("profilart")
    return {
        "pipe_id": one.say("objektbezeichnung"),
        "us_node": edge.say("knotenzulauf"),
        "ds_node": edge.say("knotenablauf"),
        "use": _USES.get(one.say("entwaesserungsart").upper(), ""),
        "shape": _SHAPES.get(kind, "other" if kind else ""),
        "height_mm": profile.say("profilhoehe"),
        "width_mm": profile.say("profilbreite"),
        "material": edge.say("material"),
        "stated_m": edge.say("laenge"),
        "us_invert_m": edge.say("sohlhoehezulauf"),
        "ds_invert_m": edge.say("sohlhoeheablauf"),
        "year": one.say("baujahr"),
    }


def _node(one: Node) -> dict[str, str]:
    node = one.first("knoten") or Node("", one.line)
    shaft = node.first("schacht")
    return {
        "node_id": one.say("objektbezeichnung"),
        "kind": "manhole" if shaft is not None else "",
        "depth_m": shaft.say("schachttiefe") if shaft is not None else "",
    }


def _xy(point: Node) -> tuple[float, float] | None:
    try:
        return float(point.say("rechtswert")), float(point.say("hochwert"))
    except ValueError:
        return None


def _line(one: Node) -> BaseGeometry | None:
    """Draw the pieces of an edge one after the other."""
    places: list[tuple[float, float]] = []
    for geometry in one.all("geometrie"):
        for piece in geometry.under("kante"):
            ends = [_xy(end) for end in (*piece.all("start"), *piece.all("ende"))]
            if None in ends or len(ends) != 2:
                return None
            for xy in ends:
                if xy is not None and (not places or places[-1] != xy):
                    places.append(xy)
    return LineString(places) if len(places) > 1 else None


def _point(one: Node) -> BaseGeometry | None:
    """Give the place of a node: its bottom, else its first point."""
    points = [point for geometry in one.all("geometrie") for point in geometry.under("punkt")]
    points.sort(key=lambda point: point.say("punktattributabwasser") != "SMP")
    xy = _xy(points[0]) if points else None
    return None if xy is None else Point(xy)
