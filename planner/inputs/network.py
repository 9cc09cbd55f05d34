"""Pipes, nodes and laterals into contract tables: every pipe that has an id is kept.

A pipe without a usable line stays, without geometry; a node that pipes name and the layer
lacks is added. Geometry comes out in one local metric projection, each line turned to run
from us_node to ds_node where that can be proved.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from planner.contracts import FLAGS, LATERALS, NODES, PIPES
from planner.errors import Fault
from planner.ground.measure import local_crs
from planner.inputs.attributes import RESERVED, Reading
from planner.inputs.laterals import OnPipes, read_laterals
from planner.inputs.layer_names import PIPE_NAMES, names_german_use, with_names
from planner.inputs.lines import one_line_each, same_lines
from planner.inputs.materials import read_material, unlike_unknown
from planner.inputs.network_doubts import (
    direction_doubts,
    fall_doubts,
    say_blanks,
    say_streets,
    sizes_in_texts,
)
from planner.inputs.node_columns import node_columns
from planner.inputs.nodes import name_all, read_nodes
from planner.inputs.orient import Ends, orient
from planner.inputs.parts import say_parts, say_place
from planner.inputs.profiles import read_profiles
from planner.inputs.projection import flat_shapes, inside_area, settle_crs, to_local
from planner.inputs.specs import LayerSpec
from planner.inputs.vector import Shapes, read_layer
from planner.inputs.zero_levels import without_zeros
from planner.settings import Survey
from planner.tables import conform, empty

STEP = "network"

_USES = {"foul": "foul", "sanitary": "foul", "sewage": "foul", "storm": "storm",
         "stormwater": "storm", "surface water": "storm", "combined": "combined",
         "mixed": "combined",
         "schmutz": "foul", "schmutzwasser": "foul", "regen": "storm", "regenwasser": "storm",
         "misch": "combined", "mischwasser": "combined"}  # fmt: skip
# Letters of German lists (common practice, no source); elsewhere S and SW may be storm water.
_GERMAN_USES = {"s": "foul", "sw": "foul", "r": "storm", "rw": "storm", "m": "combined",
                "mw": "combined"}  # fmt: skip
_PLAIN_TEXT = ("us_node", "ds_node", "street_class", "area")
_PROFILE = ("shape", "height_mm", "width_mm", "dn_mm", "inside_mm")
# Filled by this reader or by locate, or read in a way of their own.
_NOT_PLAIN = {"pipe_id", "use", "drawn_m", "length_m", "length_from", "length_doubt_m", "placing",
              "file", "row", "material", "lined", "size_estimated",
              *_PLAIN_TEXT, *_PROFILE}  # fmt: skip


@dataclass(frozen=True)
class Network:
    """What is in the ground: the tables, what was wrong, and the two coordinate systems.

    ``hashes`` holds the sha256 of each layer that came out of a database.
    """

    pipes: pd.DataFrame
    nodes: pd.DataFrame
    laterals: pd.DataFrame
    faults: list[Fault]
    flags: pd.DataFrame
    source_crs: str
    local_crs: str
    read_count: dict[str, int]
    said: list[str]
    hashes: dict[str, str]


@dataclass
class _Notes:
    """What is gathered on the way: faults, flags by key, rows read by file."""

    project_crs: str
    settings: Survey
    faults: list[Fault] = field(default_factory=list)
    flags: list[tuple[str, str]] = field(default_factory=list)
    read_count: dict[str, int] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)
    size_texts: list[str] = field(default_factory=list)
    unused: list[str] = field(default_factory=list)
    unused_of_nodes: list[str] = field(default_factory=list)

    def flag(self, key: str, what: str) -> None:
        """Keep a doubt."""
        self.flags.append((key, what))

    def take(self, reading: Reading) -> None:
        """Keep what was wrong with a layer, and how many rows it has."""
        name = reading.layer.name
        self.faults += reading.faults
        self.read_count[name] = self.read_count.get(name, 0) + len(reading.layer.frame)
        if reading.layer.sha256:
            self.hashes[name] = reading.layer.sha256
        for note in (*reading.layer.notes, *([reading.told] if reading.told else ())):
            self.flag(name, note)


def read_network(
    pipes: LayerSpec,
    nodes: LayerSpec | None,
    laterals: LayerSpec | None,
    root: Path,
    settings: Survey,
    crs: str,
) -> Network:
    """Read the network.

    Parameters
    ----------
    pipes, nodes, laterals
        Layers; only the first is needed. ``columns`` maps our columns to theirs, among
        them ``size``, a size as text.
    root
        The project folder.
    settings
        ``snap_m`` says how far a line's end may be from its node [m].
    crs
        System of the layers as ``[project]`` names it, or ``""``.

    Returns
    -------
    network
        Obeys `PIPES`, `NODES`, `LATERALS`, `FLAGS`. Refused are features without an id or
        with one that came before, and laterals on no pipe; everything else stays, with a
        fault or a flag for what is doubtful.

    Raises
    ------
    FileError
        If a layer cannot be read, its system is unknown or cannot be right, or a column
        for the ids is missing.
    """
    notes = _Notes(crs, settings)
    raw, source, local = _read_pipes(pipes, root, notes)
    layer = empty(NODES)
    if nodes:
        layer, reading = read_nodes(nodes, root, local, crs)
        notes.take(reading)
        notes.unused_of_nodes = reading.unused(NODES.names)
    us, ds = (raw[name].tolist() for name in ("us_node", "ds_node"))
    ends = Ends(np.array(raw["geometry"], dtype=object), us, ds)
    shapes = dict(zip(layer["node_id"].tolist(), layer["geometry"], strict=True))
    known = {name: shape for name, shape in shapes.items() if shape is not None}
    turned = orient(ends, known, settings.snap_m)
    raw["geometry"] = turned.lines
    raw["drawn_m"] = shapely.length(turned.lines)
    notes.flags += direction_doubts(raw, turned, settings.snap_m)
    all_nodes, doubts = name_all(layer, raw, turned)
    notes.flags += doubts if nodes else []
    out = conform(raw, PIPES, crs=local)
    all_nodes = conform(all_nodes, NODES, crs=local)
    levelled = without_zeros(out, all_nodes, pipes.name, nodes.name if nodes else pipes.name)
    out, all_nodes = levelled.pipes, levelled.nodes
    notes.flags += [*levelled.told, *fall_doubts(out, all_nodes)]
    side = empty(LATERALS)
    if laterals:
        on_pipes = OnPipes(
            dict(zip(out["pipe_id"], out.geometry, strict=True)), local, crs, settings.snap_m
        )
        found = read_laterals(laterals, root, on_pipes)
        side = found.laterals
        notes.faults += found.faults
        notes.flags += found.flags
        notes.read_count[found.name] = notes.read_count.get(found.name, 0) + found.read_count
        notes.hashes |= {found.name: found.sha256} if found.sha256 else {}
    rows = [{"step": STEP, "key": key, "what": what} for key, what in dict.fromkeys(notes.flags)]
    return Network(
        pipes=out,
        nodes=all_nodes,
        laterals=side,
        faults=notes.faults,
        flags=conform(rows, FLAGS),
        source_crs=_text_of(source),
        local_crs=local.to_wkt(),
        read_count=notes.read_count,
        said=[
            f"{pipes.name}: {say_place(turned.lines, local)}"
            f"{say_parts(turned.lines, settings.snap_m)}",
            *say_blanks(out, pipes.name, notes.size_texts, notes.unused),
            *say_streets(all_nodes, nodes.name if nodes else "", notes.unused_of_nodes),
        ],
        hashes=notes.hashes,
    )


def _read_pipes(
    spec: LayerSpec, root: Path, notes: _Notes
) -> tuple[pd.DataFrame, pyproj.CRS, pyproj.CRS]:
    """Read the pipes that have an id of their own, in the order of ids, lines as drawn."""
    layer = read_layer(spec, root)
    source, faults = settle_crs(layer, spec, notes.project_crs)
    reading = Reading(layer, spec.columns, spec.units, faults)
    reading = with_names(reading, PIPE_NAMES, "pipe_id")
    ends = _node_columns(reading)
    reading.check_columns(["pipe_id"], ends)
    if ends:
        said = f"by the drawing {' and '.join(ends.values())} name the nodes, and are not used yet"
        said += ", other columns are taken by their names" if reading.told else ""
        reading.told = f"{said}: look, and write under [pipes] {reading.pasted(ends)}"
    shapes = flat_shapes(layer)
    inside = inside_area(shapes, source, layer.name)
    outside = np.flatnonzero(~inside).tolist()
    for place in outside:
        shapes[place] = None
    local = local_crs(gpd.GeoSeries(list(shapes)), source)
    found = one_line_each(to_local(shapes, source, local))
    for place in outside:
        found.faults[place] = ("coordinates outside the area of use", f"places in {source.name}")
    frame = _attributes(reading)
    frame["geometry"] = found.lines
    notes.unused = reading.unused({*PIPES.names, "size"})
    notes.size_texts = [] if reading.has("size") else sizes_in_texts(layer)
    keep = _own_ids(frame, reading, found.lines)
    for place in keep:
        if place in found.faults:
            reading.fault(place, "geometry", *found.faults[place], lost=False)
        if place in found.notes:
            notes.flag(frame["pipe_id"][place], found.notes[place])
    reading.faults.sort(key=lambda fault: fault.row)
    notes.take(reading)
    kept = frame.iloc[keep].sort_values("pipe_id").reset_index(drop=True)
    for group in same_lines(np.array(kept["geometry"], dtype=object)):
        ids = [str(kept["pipe_id"][place]) for place in group]
        for pipe_id in ids:
            others = ", ".join(other for other in ids if other != pipe_id)
            notes.flag(pipe_id, f"drawn on the same line as {others}")
    return kept, source, local


def _node_columns(reading: Reading) -> dict[str, str]:
    """Propose the columns of the nodes by the drawing, where the project names neither."""
    if reading.has("us_node") or reading.has("ds_node"):
        return {}
    taken = set(reading.columns.values()) | RESERVED
    columns = [str(name) for name in reading.layer.frame.columns if name not in taken]
    found = node_columns(reading.layer.frame, columns)
    return {} if found is None else {"us_node": found[0], "ds_node": found[1]}


def _attributes(reading: Reading) -> pd.DataFrame:
    data: dict[str, object] = {name: reading.texts(name) for name in ("pipe_id", *_PLAIN_TEXT)}
    letters = _GERMAN_USES if names_german_use(reading.columns.get("use", "")) else {}
    data["use"] = reading.words("use", {**_USES, **letters}, "")
    for column in PIPES.columns:
        if column.name not in _NOT_PLAIN:
            data[column.name] = reading.values(column)
    data |= _materials(reading)
    frame = pd.concat([pd.DataFrame(data), read_profiles(reading)], axis=1)
    return frame.assign(file=reading.layer.name, row=reading.layer.frame["row"])


def _materials(reading: Reading) -> dict[str, object]:
    """Read materials by their table; a spelling it does not know is kept and told once."""
    texts = reading.texts("material")
    unlike = {text: read_material(text) for text in set(texts)}
    found = [unlike[text] for text in texts]
    for text, count in unlike_unknown(texts).items():
        wanted = f"a material of the table; {count} pipes spell it so, kept as written"
        reading.fault(texts.index(text), "material", text, wanted, lost=False)
    given = reading.values(PIPES["lined"])
    lined = pd.Series([one.lined for one in found], dtype="boolean")
    return {"material": [one.word for one in found], "lined": given.fillna(lined)}


def _own_ids(frame: pd.DataFrame, reading: Reading, lines: Shapes) -> list[int]:
    """Give the positions of pipes with an id that did not come before.

    Where two different lines bear one id, it is not known which is the pipe: the first
    stays without a line.
    """
    keep = reading.first_of_each("pipe_id")
    ids = frame["pipe_id"].tolist()
    first = {ids[place]: place for place in keep}
    unsure: set[int] = set()
    for place, pipe_id in enumerate(ids):
        before = first.get(pipe_id, place)
        one, other = lines[before], lines[place]
        if before != place and one and other and not shapely.equals(one, other):
            unsure.add(before)
    for place in sorted(unsure):
        found = f"different lines under the id {ids[place]}"
        reading.fault(place, "geometry", found, "one line for one pipe", lost=False)
        frame.at[place, "geometry"] = None
    return keep


def _text_of(crs: pyproj.CRS) -> str:
    found = crs.to_authority()
    return ":".join(found) if found else crs.to_wkt()
