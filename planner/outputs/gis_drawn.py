"""Layers made to be looked at in a GIS: pipes by choice, spans by verdict, stops by day."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.layers import pipe_classes
from planner.outputs.palette import stop_label
from planner.outputs.routes import crew_letters, day_numbers

PIPES, SPANS, STOPS = "drawn_pipes", "drawn_spans", "drawn_stops"
ABOUT = {
    PIPES: "pipes in the look of their choice, for drawing; the figures stand in the tables",
    SPANS: "defects in the look of their verdict, for drawing",
    STOPS: "stops of the week in the order of each crew's day, for drawing",
}
MEANING = {
    "shown": "word of the legend",
    "label": "day, place in the day and letter of the crew",
    "day": "day of the week's plan, from 1",
}


def drawn_layers(
    tables: Tables, facts: RunFacts, spans: gpd.GeoDataFrame
) -> dict[str, gpd.GeoDataFrame]:
    """Make the layers.

    Parameters
    ----------
    tables
        Of it: pipes, choices, verdicts, inspections, setups, visits.
    facts
        First day; system of the layers.
    spans
        Spans with their lines, in the source's system.

    Returns
    -------
    layers
        By name, in the source's system.
    """
    found = {PIPES: _pipes(tables), SPANS: _spans(tables, spans), STOPS: _stops(tables, facts)}
    return {name: layer.to_crs(facts.source_crs) for name, layer in found.items()}


def _pipes(tables: Tables) -> gpd.GeoDataFrame:
    pipes = gpd.GeoDataFrame(tables["pipes"])
    columns = ["pipe_id", "us_node", "ds_node", "width_mm", "material", "length_m", "geometry"]
    held = [name for name in columns if name in pipes.columns]
    choices = tables["choices"][["pipe_id", "method", "state", "reason", "cost_cents"]]
    shown = pipes[held].assign(shown=pipe_classes(tables))
    merged = shown.merge(choices, on="pipe_id", how="left")
    text = {name: merged[name].fillna("") for name in ("method", "state", "reason")}
    return gpd.GeoDataFrame(merged.assign(**text), geometry="geometry", crs=pipes.crs)


def _spans(tables: Tables, spans: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    verdicts = tables["verdicts"][["span_id", "verdict", "urgency", "close_call"]]
    columns = [name for name in ("span_id", "pipe_id", "from_m", "to_m") if name in spans.columns]
    merged = spans[[*columns, "geometry"]].merge(verdicts, on="span_id")
    merged["close_call"] = merged["close_call"].astype("Int32")
    merged = merged.rename(columns={"verdict": "shown"})
    return gpd.GeoDataFrame(merged, geometry="geometry", crs=spans.crs)


def _stops(tables: Tables, facts: RunFacts) -> gpd.GeoDataFrame:
    setups = gpd.GeoDataFrame(tables["setups"])
    visits = tables["visits"][["visit_id", "setup_id", "crew", "date", "seq"]]
    places = setups[["setup_id", "node_id", "pipe_id", "steps", "geometry"]]
    merged = places.merge(visits, on="setup_id").sort_values(["date", "crew", "seq"])
    days, letters = day_numbers(tables, facts.first_day), crew_letters(tables)
    numbers = merged["date"].map(days).astype("int32")
    labels = [
        f"{letters[crew]} {stop_label(day, int(seq))}"
        for crew, day, seq in zip(merged["crew"], numbers, merged["seq"], strict=True)
    ]
    label = pd.Series(labels, index=merged.index, dtype="str")
    merged = merged.assign(day=numbers, label=label, seq=merged["seq"].astype("int32"))
    shown = merged.assign(shown=numbers.astype("str")).reset_index(drop=True)
    return gpd.GeoDataFrame(shown, geometry="geometry", crs=setups.crs)
