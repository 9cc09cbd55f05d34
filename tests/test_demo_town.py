"""The demo town shows what it is there to show; its flows held against a reckoning of their own."""

from __future__ import annotations

import geopandas as gpd
import networkx as nx
import numpy as np
import pytest
from conftest import TOWN

from planner.ground.flow import average_flow_l_s, harmon_factor
from planner.ground.hydraulics import depth_ratio_of, full_flow_m3_s, manning_full_m_s
from planner.plan import Plan


def test_flow_of_one_pipe_by_hand() -> None:
    """Pipe 0079 of the demo on paper: 217 persons, DN 250, falls 0.5978 %, n 0.013.

    Average: 217 x 150 l / 86 400 s = 0.37674 l/s. Harmon (formulas.md 7, P in thousands):
    1 + 14 / (4 + sqrt 0.217) = 1 + 14 / 4.46583 = 4.13492; peak 1.55777 l/s.
    Manning full: R = 0.0625 m, R^(2/3) = 0.157490, sqrt 0.005978 = 0.0773175;
    V = 0.157490 x 0.0773175 / 0.013 = 0.936669 m/s; x 0.0490874 m2 = 45.979 l/s.
    Part full at y/D = 0.12604: t = 2 acos(1 - 2 y/D) = 1.45174 rad, sin t = 0.99292;
    A/Af = (t - sin t) / 2 pi = 0.073024; R/Rf = 1 - sin t / t = 0.31605, ^(2/3) = 0.46398;
    Q/Qf = 0.033882 = 1.5578 / 45.979.
    """
    peak = average_flow_l_s([217.0], 150.0, 1.0) * harmon_factor([217.0])
    assert peak[0] == pytest.approx(1.55777, rel=1e-4)
    full = full_flow_m3_s([0.25], manning_full_m_s([0.25], [0.005978], 0.013))
    assert full[0] * 1000.0 == pytest.approx(45.979, rel=1e-4)
    assert depth_ratio_of(peak / 1000.0 / full)[0] == pytest.approx(0.12604, abs=2e-5)


def test_demo_flows_against_another_way_round_the_network(demo_plan: Plan) -> None:
    """Persons and length upstream by a search of networkx; Manning by slices of the circle.

    Read past the tool's own readers, from the layer. Harmon and Babbitt as in formulas.md 7.
    """
    pipes = gpd.read_file(TOWN / "network.gpkg", layer="pipes").drop_duplicates("pipe")
    graph = nx.MultiDiGraph()
    for pipe, up, down in pipes[["pipe", "from_mh", "to_mh"]].itertuples(index=False):
        graph.add_edge(up, down, key=pipe)
    addresses = demo_plan.tables["addresses"]
    persons = addresses["population"].fillna(3.0).groupby(addresses["pipe_id"]).sum()
    flows = demo_plan.tables["flows"]
    known = flows[(flows["depth_pct_low"] < 80) & (flows["state"] == "reckoned")]
    assert len(known) > 100
    inside = demo_plan.tables["pipes"].set_index("pipe_id")["dn_mm"] / 1000.0
    for row in known.drop_duplicates("pipe_id").iloc[::6].itertuples(index=False):
        (start,) = pipes.loc[pipes["pipe"] == row.pipe_id, "from_mh"]
        above = {start, *nx.ancestors(graph, start)}
        on_way = {key for _, end, key in graph.edges(keys=True) if end in above} | {row.pipe_id}
        assert row.pipes_count == len(on_way) - 1
        people = float(persons.reindex(sorted(on_way)).sum())
        assert row.population == people
        average = people * 150.0 / 86_400.0
        factor = 1.0 + 14.0 / (4.0 + (people / 1000.0) ** 0.5)
        if people >= 1000.0:
            factor = min(factor, 5.0 / (people / 1000.0) ** 0.2)
        assert row.peak_l_s_low == pytest.approx(average * factor, rel=1e-9)
        wide = float(inside[row.pipe_id])
        got = _slices_l_s(wide, row.depth_pct_low / 100.0, row.slope_ratio, 0.013)
        assert got == pytest.approx(row.peak_l_s_low, rel=2e-3)


def _slices_l_s(wide_m: float, depth: float, slope: float, rough: float) -> float:
    """Manning's flow with section and wetted wall summed over thin slices of the height."""
    half = np.linspace(0.0, np.arccos(1.0 - 2.0 * depth), 4001)  # from the invert up one side
    x, y = wide_m / 2.0 * np.sin(half), wide_m / 2.0 * (1.0 - np.cos(half))
    area = 2.0 * float(np.trapezoid(x, y))
    wall = 2.0 * float(np.hypot(np.diff(x), np.diff(y)).sum())
    return area * (area / wall) ** (2.0 / 3.0) * slope**0.5 / rough * 1000.0


def test_faulty_inverts_are_told_and_not_repaired(demo_plan: Plan) -> None:
    """Pipe 0044 lacks one invert, 0048 rises by 6 cm: no depth, and the reason stands there."""
    pipes = demo_plan.tables["pipes"].set_index("pipe_id")
    assert np.isnan(pipes.loc["0044", "ds_invert_m"])
    assert pipes.loc["0048", "ds_invert_m"] - pipes.loc["0048", "us_invert_m"] == pytest.approx(
        0.06
    )
    flows = demo_plan.tables["flows"].drop_duplicates("pipe_id").set_index("pipe_id")
    assert flows.loc[["0044", "0048"], "depth_pct_high"].isna().all()
    assert "its inverts are not known" in flows.loc["0044", "why"]
    assert "rises by its inverts" in flows.loc["0048", "why"]
    flags = demo_plan.tables["flags"]
    assert flags["what"].str.contains("rises by 0.06 m").any()


def test_each_feature_is_shown_once(demo_plan: Plan) -> None:
    """A lap, sleeves under a liner, a sealed end, a packer barred from one and from both ends."""
    tables = demo_plan.tables
    assert tables["sleeves"]["lap_us_m"].notna().any()
    assert (tables["choices"]["method"] == "sleeve_liner").any()
    passages = tables["passages"]
    assert {"yes", "no", "undecided"} <= set(passages["answer"])
    assert (tables["option_lines"]["item"] == "end_seal").any()
    findings = tables["findings"]
    assert (findings["finding_id"].str.startswith("span|") & (findings["rule_id"] == "")).any()
    left = tables["left_over"]
    assert left.loc[left["step"] == "place", "reason"].str.contains("no packer for .* comes").any()
