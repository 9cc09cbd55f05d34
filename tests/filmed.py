"""Small tables for tests of screening: pipes, camera runs, coded rows as a file would hold them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import pandas as pd
from shapely import LineString, Point

from planner.contracts import INSPECTIONS, LATERALS, NODES, OBSERVATIONS, PIPES
from planner.ground.codes import read_codes
from planner.ground.ids import NOTHING_KNOWN, KnownIds
from planner.screening.locate import Located, locate
from planner.screening.spans import Spanned, make_spans
from planner.settings import Survey, load_settings
from planner.tables import conform, empty

CRS = "EPSG:25832"
SETTINGS: Survey = load_settings().survey
Row = dict[str, Any]


def settings(**changes: Any) -> Survey:
    return SETTINGS.model_copy(update=changes)


def pipe(pipe_id: str = "P", us: str = "U", ds: str = "D", **more: Any) -> Row:
    """A pipe of 200 mm; `drawn_m` draws it straight from (0, 0)."""
    row = {"pipe_id": pipe_id, "us_node": us, "ds_node": ds, "shape": "circular", "dn_mm": 200.0}
    return {**row, "height_mm": 200.0, "file": "pipes", "row": 1, **more}


def run(inspection_id: str = "I", pipe_ref: str = "P", start: str = "U", **more: Any) -> Row:
    row = {"inspection_id": inspection_id, "pipe_ref": pipe_ref, "start_node": start}
    known = {"date": "2025-06-01", "zero_at": "wall", "direction": "unknown", "matched_by": "none"}
    tail = {"laterals_coded": "yes", "scheme": "EN 13508-2", "file": "runs.csv", "row": 1}
    return {**row, **known, **tail, "complete": True, **more}


def row(s_m: float | None, code: str, char1: str = "", char2: str = "", **more: Any) -> Row:
    """One coded row; short names: q1, clock=(from, to), mark (A1), joint."""
    clock = more.pop("clock", (None, None))
    first, last = clock if isinstance(clock, tuple) else (clock, None)
    short = {"stretch": more.pop("mark", ""), "at_joint": more.pop("joint", False)}
    base = {"s_m": s_m, "code": code, "char1": char1, "char2": char2, "q1": "", "q2": ""}
    return {**base, "clock_from_h": first, "clock_to_h": last, **short, **more}


@dataclass
class Town:
    """Pipes and what was filmed in them."""

    pipes: list[Row] = field(default_factory=list)
    runs: list[tuple[Row, Sequence[Row]]] = field(default_factory=list)
    laterals: list[Row] = field(default_factory=list)
    nodes: list[Row] = field(default_factory=list)

    def pipe_table(self) -> pd.DataFrame:
        lines = [
            p.get("geometry", LineString([(0, 0), (p["drawn_m"], 0)]) if p.get("drawn_m") else None)
            for p in self.pipes
        ]
        return conform(gpd.GeoDataFrame(self.pipes, geometry=lines, crs=CRS), PIPES)

    def node_table(self) -> pd.DataFrame:
        if not self.nodes:
            return empty(NODES, crs=CRS)
        points = [Point(*n.pop("at")) if "at" in n else None for n in map(dict, self.nodes)]
        rows = [{"access": "open", **{k: v for k, v in n.items() if k != "at"}} for n in self.nodes]
        return conform(gpd.GeoDataFrame(rows, geometry=points, crs=CRS), NODES)

    def run_table(self) -> pd.DataFrame:
        return conform([head for head, _ in self.runs], INSPECTIONS)

    def row_table(self) -> pd.DataFrame:
        rows = []
        for head, coded in self.runs:
            for number, one in enumerate(coded, start=2):
                name = f"{head['inspection_id']}/{number}"
                rows.append({
                    "observation_id": name, "inspection_id": head["inspection_id"],
                    "file": head["file"], "row": number, **one,
                })  # fmt: skip
        frame = pd.DataFrame(rows, columns=None if rows else OBSERVATIONS.names)
        if frame.empty:
            return empty(OBSERVATIONS)
        return conform(frame.join(read_codes(frame)), OBSERVATIONS)

    def locate(self, survey: Survey = SETTINGS, first_day: str = "2026-01-05") -> Located:
        return locate(
            self.pipe_table(),
            self.node_table(),
            self.run_table(),
            self.row_table(),
            conform(self.laterals, LATERALS),
            survey,
            first_day,
        )

    def spans(
        self, survey: Survey = SETTINGS, known: KnownIds = NOTHING_KNOWN, day: str = "2026-01-05"
    ) -> Spanned:
        return spans_of(self.locate(survey, day), survey, known, day)


def spans_of(
    located: Located,
    survey: Survey = SETTINGS,
    known: KnownIds = NOTHING_KNOWN,
    day: str = "2026-01-05",
) -> Spanned:
    return make_spans(
        located.pipes,
        located.inspections,
        located.defects,
        located.laterals,
        survey,
        known,
        first_day=day,
    )


def town(coded: Sequence[Row], surveyed_m: float = 50.0, **more: Any) -> Town:
    """One pipe P from U to D, drawn with 0.4 m of manhole at each end, filmed once from U."""
    head = run(surveyed_m=surveyed_m, **more)
    return Town([pipe(drawn_m=surveyed_m + 0.8)], [(head, coded)])
