"""Flow at a sleeve: who lies upstream, how deep it runs, plug or bypass, by hand calculation."""

from __future__ import annotations

from typing import Any

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from crew_town import node, packer, pipe, shaped, sleeve
from hypothesis import given
from hypothesis import strategies as st
from sleeve_supply import system

from planner.contracts import (
    ADDRESSES,
    FLOWS,
    LATERALS,
    NODES,
    PACKERS,
    PIPES,
    PROCESS,
    SLEEVES,
    SYSTEMS,
)
from planner.errors import SettingsError
from planner.ground.sewer import make_graph, upstream_pipes
from planner.ground.upstream import sum_upstream
from planner.outputs.stops import _flow as sheet_line
from planner.repairs.flow import find_flows
from planner.screening.explain import explain_lines
from planner.settings import load_settings
from planner.tables import conform

NOT_KNOWN = "not known: bypass assumed to be settled on site"
# D 0.3 m, slope 0.01, n 0.017: V = 0.075^(2/3) x 0.1 / 0.017 = 1.046150 m/s,
# Q = pi/4 x 0.09 x V = 73.948 l/s; half full carries half of it.
HALF_L_S = np.pi / 4 * 0.09 * 0.075 ** (2 / 3) * 0.1 / 0.017 / 2 * 1000


def sewer(pipe_id: str, us: str, ds: str, high: float = 10.0, **more: Any) -> dict[str, Any]:
    """A round pipe DN 300 of 40 m that falls by 0.40 m: 1 %."""
    row = pipe(pipe_id, us, ds, dn_mm=300.0, shape="circular", use="foul")
    return {**row, "us_invert_m": high, "ds_invert_m": high - 0.4, **more}


def houses(**counts: int) -> list[dict[str, Any]]:
    """So many addresses on each pipe."""
    return [
        {"address_id": f"{on}-{n}", "pipe_id": on, "pipe_from": "named"}
        for on, count in counts.items()
        for n in range(count)
    ]


LINE = [sewer("p1", "A", "B", 10.4), sewer("p2", "B", "C", 10.0)]


def flows(
    pipes: list[dict[str, Any]] = LINE,
    on: tuple[str, ...] = ("p2",),
    cure_s: float = 7200.0,
    dn_mm: float = 300.0,
    **more: Any,
) -> pd.DataFrame:
    """Flows of one sleeve on each pipe of `on`; `more` are tables and settings of [flow]."""
    names = sorted({row[end] for row in pipes for end in ("us_node", "ds_node")} - {""})
    times = {"system": "felt", "dn_to_mm": 300.0, "wall_c": 10.0, "prepare_s": 900.0}
    process = [{**times, "cure_s": cure_s, "finish_s": 600.0}]
    tables = {
        "pipes": shaped(pipes, PIPES),
        "nodes": shaped(more.pop("nodes", [node(name) for name in names]), NODES),
        "addresses": shaped(more.pop("addresses", houses(p1=10, p2=5)), ADDRESSES),
        "laterals": conform(more.pop("laterals", []), LATERALS),
        "sleeves": conform([sleeve(f"S-{one}", pipe_id=one, dn_mm=dn_mm) for one in on], SLEEVES),
        "systems": conform([system()], SYSTEMS),
        "process": conform(process, PROCESS),
        "packers": conform(more.pop("packers", [packer()]), PACKERS),
    }
    return find_flows(tables, load_settings({"flow": more}).flow, 10.0)


def first(frame: pd.DataFrame) -> Any:
    return next(frame.itertuples(index=False))


# --- upstream ---------------------------------------------------------------------------


def sums_of(pairs: list[tuple[str, str]], own: list[float] | None = None) -> pd.DataFrame:
    pipes = pd.DataFrame(pairs, columns=["us_node", "ds_node"])
    pipes["pipe_id"] = [f"p{n:02d}" for n in range(len(pairs))]
    nodes = pd.DataFrame({"node_id": sorted({end for pair in pairs for end in pair})})
    figures = pd.DataFrame({"own": own or [1.0] * len(pairs)}, index=pipes["pipe_id"])
    return sum_upstream(make_graph(pipes, nodes), figures)


def test_a_tree_adds_up_down_the_flow() -> None:
    """A > B < E, B > C: 1, 2 and 1 + 2 + 4 = 7 by hand."""
    found = sums_of([("A", "B"), ("E", "B"), ("B", "C")], [1, 2, 4])
    assert found["own"].tolist() == [1, 2, 7]
    assert found["pipes_count"].tolist() == [1, 1, 3]
    assert found["loops_count"].tolist() == [0, 0, 0]


def test_a_flow_that_divides_and_rejoins_counts_once() -> None:
    """A > B, two ways to C, C > D: each way 1 + own, the last 1 + 2 + 4 + 8."""
    found = sums_of([("A", "B"), ("B", "C"), ("B", "C"), ("C", "D")], [1, 2, 4, 8])
    assert found["own"].tolist() == [1, 3, 5, 15]


def test_two_outlets_bear_the_whole_each() -> None:
    """Where a manhole has two pipes out, either may take all: never the milder half."""
    found = sums_of([("A", "B"), ("B", "C"), ("B", "D")], [1, 2, 4])
    assert found["own"].tolist() == [1, 3, 5]


def test_a_loop_is_told_and_counts_once() -> None:
    """B > C > B with A above and D below: 1; 1+2+4 for both of the loop; 1+2+4+8."""
    found = sums_of([("A", "B"), ("B", "C"), ("C", "B"), ("C", "D")], [1, 2, 4, 8])
    assert found["own"].tolist() == [1, 7, 7, 15]
    assert found["loops_count"].tolist() == [0, 1, 1, 1]
    assert found["in_loop"].tolist() == [False, True, True, False]


def test_a_pipe_from_a_manhole_to_itself_is_a_loop() -> None:
    """Counted once too."""
    found = sums_of([("A", "A"), ("A", "B")], [1, 2])
    assert found["own"].tolist() == [1, 3]
    assert found["in_loop"].tolist() == [True, False]


EDGES = st.lists(st.tuples(st.sampled_from("ABCDEFG"), st.sampled_from("ABCDEFG")), max_size=24)


@given(EDGES)
def test_any_network_against_a_search_from_each_pipe(pairs: list[tuple[str, str]]) -> None:
    """Every loop, fork and rejoining: the sum over the pipe and `upstream_pipes`, once each."""
    if not pairs:
        return
    own = [float(2**n) for n in range(len(pairs))]  # no two sets of pipes share a sum
    found = sums_of(pairs, own)
    graph = nx.MultiDiGraph()
    for n, (up, down) in enumerate(pairs):
        graph.add_edge(up, down, key=f"p{n:02d}")
    for n, (up, _) in enumerate(pairs):
        reached = {f"p{n:02d}", *upstream_pipes(graph, up)}
        assert found["own"].iloc[n] == sum(2.0 ** int(one[1:]) for one in reached)
        assert found["pipes_count"].iloc[n] == len(reached)


@given(st.lists(st.integers(0, 30), min_size=1, max_size=40), st.data())
def test_the_outlet_has_all_that_live_in_the_town(counts: list[int], data: st.DataObject) -> None:
    """Property: any tree of pipes into one outlet bears the sum of all."""
    ends = [f"n{data.draw(st.integers(0, n - 1))}" for n in range(1, len(counts))]
    pairs = [("n0", "out"), *((f"n{n}", end) for n, end in enumerate(ends, start=1))]
    assert sums_of(pairs, [float(one) for one in counts])["own"].iloc[0] == sum(counts)


# --- flow and depth -----------------------------------------------------------------------


def test_persons_peak_and_leaks_by_hand() -> None:
    """15 houses x 3 = 45 persons x 150 l / 86 400 s = 0.078125 l/s.

    Harmon 1 + 14 / (4 + sqrt 0.045) = 4.323735: 0.337792 l/s; with 0.08 km x 0.2 l/s
    = 0.016: 0.353792 l/s.
    """
    row = first(flows())
    assert (row.population, row.addresses_count, row.pipes_count) == (45, 15, 1)
    assert row.upstream_m == pytest.approx(40.0)
    assert row.peak_l_s_low == pytest.approx(0.337792, abs=1e-6)
    assert row.peak_l_s_high == pytest.approx(0.353792, abs=1e-6)
    assert row.slope_ratio == pytest.approx(0.01)
    assert row.standing == "assumed"
    for said in ("45 persons on 15 addresses, 3 persons taken for each of 15", "150 l a day",
                 "100 % returned", "4.32 (Harmon), below the 1000 persons", "slope 1.00 %",
                 "n 0.013 to 0.017", "no less than 2 l/s"):  # fmt: skip
        assert said in row.why


def test_a_stated_number_of_persons_counts() -> None:
    """2 houses of 4 and 2.5 persons: 6.5, no longer assumed; one blank of the setting's 3."""
    rows = houses(p1=1, p2=1)
    rows[0]["population"], rows[1]["population"] = 4.0, 2.5
    row = first(flows(addresses=rows))
    assert (row.population, row.standing) == (6.5, "practice")
    row = first(flows(addresses=[*rows, *houses(p1=2)[1:]]))
    assert (row.population, row.standing) == (9.5, "assumed")


def test_depth_of_a_half_full_pipe() -> None:
    """`HALF_L_S` by hand fills half; one flush of 2 l/s less than a fifth: no control."""
    row = first(flows(least_flow_l_s=HALF_L_S))
    assert row.depth_pct_high == pytest.approx(50.0, abs=1e-6)
    assert row.control == "bypass"
    row = first(flows())
    assert row.depth_pct_high < 20.0
    assert (row.control, row.state) == ("none", "reckoned")


def test_more_than_a_pipe_carries_stands_full() -> None:
    """2 x 1.08 of the full flow: 100 %, and no packer passes it."""
    row = first(flows(least_flow_l_s=2 * 2 * HALF_L_S, packers=[packer(through_flow=True)]))
    assert (row.depth_pct_high, row.control) == (100.0, "bypass")


@pytest.mark.parametrize(
    ("pipes", "said"),
    [
        ([LINE[0], sewer("p2", "B", "C", us_invert_m=9.6)], "lies level or rises"),
        ([LINE[0], sewer("p2", "B", "C", us_invert_m=9.5)], "lies level or rises"),
        ([LINE[0], sewer("p2", "B", "C", us_invert_m=np.nan)], "inverts are not known"),
        ([LINE[0], sewer("p2", "B", "C", shape="egg")], "not known to be round"),
        ([LINE[0], sewer("p2", "B", "C", dn_mm=np.nan)], "its size is not known"),
        ([LINE[0], sewer("p2", "B", "C", use="storm")], "storm water"),
        ([LINE[0], sewer("p2", "", "C")], "names no node at one end"),
        ([sewer("p1", "A", "B", length_m=np.nan), LINE[1]], "has no length"),
    ],
)  # fmt: skip
def test_what_is_not_known_is_never_mild(pipes: list[dict[str, Any]], said: str) -> None:
    """Level, rising, no invert, no size, no way to tell who is above: bypass, on site."""
    row = first(flows(pipes, packers=[packer(through_flow=True)], hold_stated_m=5.0))
    assert (row.control, row.state) == ("bypass", NOT_KNOWN)
    assert said in row.why


@pytest.mark.parametrize("addresses", [[], houses(p3=4)])
def test_nobody_known_upstream_is_not_nobody(addresses: list[dict[str, Any]]) -> None:
    """No addresses at all, or none on this branch: persons and flow unknown, never zero."""
    pipes = [*LINE, sewer("p3", "X", "Y")]
    row = first(flows(pipes, addresses=addresses))
    assert np.isnan([row.population, row.peak_l_s_low, row.peak_l_s_high]).all()
    assert (row.control, row.state) == ("bypass", NOT_KNOWN)
    assert "not known" in row.why


def test_loops_and_lost_addresses_are_told() -> None:
    """A loop p2, p3; one address on a pipe that nothing joins."""
    loop = [*LINE, sewer("p3", "C", "B"), sewer("p4", "", "Z")]
    row = first(flows(loop, addresses=houses(p1=1, p4=1)))
    assert row.population == 3
    assert "it lies in a loop: each pipe round it counted once" in row.why
    assert "1 addresses of the town hang on no pipe that is joined" in row.why


# --- through-flow, plug, bypass -------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "control"),
    [
        ({}, "through_flow"),
        ({"through_flow": None}, "bypass"),
        ({"dn_to_mm": 250.0}, "bypass"),
        ({"usable_m": 0.9}, "bypass"),
        ({"reach_m": 10.0}, "bypass"),
        ({"cures": "light+heat"}, "bypass"),
    ],
)
def test_a_packer_with_through_flow_must_fit_and_reach(more: dict, control: str) -> None:
    """The sleeve: DN 300, 1.0 m, its far end 11 m from the nearer manhole, ambient cure."""
    packers = [packer(**{"through_flow": True, **more})]
    found = flows(least_flow_l_s=HALF_L_S, packers=packers, through_flow_most_pct=60.0)
    assert first(found).control == control


def deep(cure_s: float = 7200.0, **more: Any) -> Any:
    """Half full, so that flow must be controlled; 2 m over the invert may be held."""
    return first(flows(cure_s=cure_s, least_flow_l_s=HALF_L_S, **{"hold_stated_m": 2.0, **more}))


def test_plug_or_bypass_by_hand() -> None:
    """Level 12.00 drowns p1 (crown 10.70 at its head): half of pi/4 0.3^2 x 40 = 1.413717 m3.

    Manholes of 0.8 m, 0.502655 m2: above the crowns 12.00 - 10.30 at B and 12.00 - 10.70
    at A, together 3.0 m, 1.507964 m3. 2.921681 m3 / 0.353792 l/s = 8 258 s: longer than
    7 200 + 600 s, shorter than 7 800 + 600 s.
    """
    plug, bypass = deep(), deep(7800.0)
    assert plug.hold_back_s == pytest.approx(2921.681 / 0.353792, rel=1e-4)
    assert (plug.needed_s, plug.control) == (7800.0, "plug")
    assert (bypass.needed_s, bypass.control) == (8400.0, "bypass")
    assert "houses on the pipe itself must not let water off" in plug.why
    assert "a plug holds 138 min, 2.00 m deep, cure and finish take 140 min" in bypass.why


def tap(pipe_id: str, x_m: float, **more: Any) -> dict[str, Any]:
    row = {"lateral_id": f"{pipe_id}@{x_m}", "pipe_id": pipe_id, "x_m": x_m, "state": "unknown"}
    return {**row, **more}


KNOWN = {"laterals_known_from_m": 0.0, "laterals_known_to_m": 40.0}
SEEN = [{**row, **KNOWN} for row in LINE]


def test_the_pool_ends_at_the_lowest_live_connection() -> None:
    """At x = 20 of p1 the invert lies at 10.20: 0.20 m over the plug's.

    At 6 o'clock it is the invert whatever its size; at 3 its centre lies 0.15 m above it,
    its edge, 100 mm wide, 0.10 m: 0.30 m. A closed one, or one further up, ends nothing.
    """
    depth = {"clock_h": 3.0, "size_mm": 100.0}
    cases = [
        ([tap("p1", 20.0)], "0.20 m deep"),
        ([tap("p1", 20.0, clock_h=6.0, size_mm=100.0)], "0.20 m deep"),
        ([tap("p1", 20.0, **depth)], "0.30 m deep"),
        ([tap("p1", 30.0, state="closed"), tap("p1", 10.0)], "0.30 m deep"),
        ([], "1.00 m deep"),
    ]
    for laterals, said in cases:
        row = deep(pipes=SEEN, laterals=laterals, hold_stated_m=0.0)
        assert said in row.why, laterals
        assert row.hold_back_s > 0


def test_room_below_a_connection_against_quadrature() -> None:
    """Level 10.20 over p1, half full of flow: sections by scipy from the circle's own chord."""
    from scipy.integrate import quad

    row = deep(pipes=SEEN, laterals=[tap("p1", 20.0)], hold_stated_m=0.0)

    def chord(h: float) -> float:
        return 2 * np.sqrt(max(0.15**2 - (h - 0.15) ** 2, 0.0))

    # From the plug the pool thins from 0.20 to 0.15 m in 5 m; above, the flow itself is deeper.
    room = quad(lambda x: quad(chord, 0.15, 0.20 - 0.01 * x)[0], 0.0, 5.0)[0]
    assert row.hold_back_s == pytest.approx(room * 1000 / 0.353792, rel=2e-3)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({}, "connections of pipe p1 upstream are not known"),
        ({"pipes": [sewer("p1", "A", "B", us_invert_m=np.nan, **KNOWN), SEEN[1]]},
         "the invert of pipe p1 upstream is not known"),
    ],
)  # fmt: skip
def test_an_unknown_pool_is_no_plug(more: dict, said: str) -> None:
    """Where a connection could lie lower than thought, no time is given."""
    row = deep(60.0, **{"hold_stated_m": 0.0, **more})
    assert np.isnan(row.hold_back_s)
    assert (row.control, said in row.why) == ("bypass", True)


def test_a_lid_and_another_way_out_end_the_pool() -> None:
    """A lid 0.50 m over the invert; an overflow 0.30 m over it; 2 m were asked for."""
    nodes = [node("A", depth_m=9.0), node("B", depth_m=0.5), node("C")]
    assert "0.50 m deep" in deep(nodes=nodes).why
    out = [*LINE, sewer("p9", "B", "R", 10.3)]
    assert "0.30 m deep" in deep(pipes=out).why


def test_times_that_the_process_table_lacks_are_no_plug() -> None:
    """A sleeve of DN 400 is beyond the table, whatever the room."""
    row = deep(dn_mm=400.0)
    assert np.isnan(row.needed_s)
    assert (row.control, "cure and finish not known" in row.why) == ("bypass", True)


# --- where it is shown ------------------------------------------------------------------------


def test_explain_and_sheet_print_it() -> None:
    """Figures, what is proposed and what it rests on, of a sleeve and of a span under it."""
    frame = flows()
    tables = {
        "flows": frame,
        "sleeves": conform([sleeve("S-p2", pipe_id="p2")], SLEEVES),
    }
    text = "\n".join(explain_lines("S-p2", tables))
    assert "flow control: none (reckoned); 0.34 to 0.35 l/s" in text
    assert "because: 45 persons on 15 addresses" in text
    row = frame.to_dict("records")[0]
    assert sheet_line(row, "metric").startswith("Flow at S-p2 up to 0.35 l/s, up to 1")
    # 0.353792 l/s = 5.6 US gallons a minute (NIST: 1 gal/min = 0.0630902 l/s)
    assert "up to 5.6 gal/min" in sheet_line(row, "us")
    unknown = flows(addresses=[]).to_dict("records")[0]
    assert sheet_line(unknown, "metric") == f"Flow {NOT_KNOWN}"


def test_no_sleeves_no_rows() -> None:
    """An empty table is a table."""
    found = flows(on=())
    assert (len(found), list(found.columns)) == (0, FLOWS.names)


def test_roughness_that_is_upside_down_is_one_line() -> None:
    """The greater n below the smaller names the key."""
    with pytest.raises(SettingsError, match=r"flow.manning_high_n = 0.01 .*manning_low_n"):
        load_settings({"flow": {"manning_high_n": 0.01}})
