"""Which works a method takes, whatever the rules ask for first."""

from __future__ import annotations

from itertools import combinations

import networkx as nx
import pytest
from one_pipe import lateral, pipe, sleeve, span, town, verdict

from planner.contracts.repairs import STEPS
from planner.repairs.chain import CUTS, after, steps_of, worst
from planner.repairs.jobs import jobs_of

FIRST = (*CUTS, "grout", "look", "prove_laterals", "clean")


def job(first: tuple[str, ...], needs: str = "maintain"):
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 22), span("D-3", 30, 31)],
        [
            verdict("D-1", first="+".join(first)),
            verdict("D-2", sleeve="closed", liner="closed"),
            verdict("D-3", needs=needs, verdict=needs, first="cut_roots"),
        ],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
        covers=[("S-1", "p1@5")],
        laterals=[lateral(5)],
        pipes=[pipe(laterals_known_to_m=None)],
    )
    return jobs_of(tables)["p1"]


@pytest.mark.parametrize("method", ["sleeve", "liner", "dig_liner", "dig", "maintain", "watch"])
def test_no_work_waits_for_itself_whatever_comes_first(method: str):
    """All 128 sets of first works: a sleeve or liner waits for all before it, in no circle."""
    base = job(())
    for size in range(len(FIRST) + 1):
        for first in combinations(FIRST, size):
            spots = tuple(
                spot if spot.span_id != "D-1" else spot._replace(first=first) for spot in base.spots
            )
            steps = steps_of(type(base)(**{**vars(base), "spots": spots}), method)
            graph = nx.DiGraph(after(steps))
            assert nx.is_directed_acyclic_graph(graph)
            asked = set(first) - {"clean", "look", "prove_laterals"}
            named = {one.step for one in steps}
            assert named <= set(STEPS)
            assert asked <= named or method == "dig"
            for at, one in enumerate(steps):
                if one.step in ("sleeve", "liner"):
                    before = {steps[other].step for other in nx.descendants(graph, at)}
                    dug = set() if method == "liner" else {"dig"}
                    assert asked | {"check_access", "clean", "look"} | dug <= before


def test_dig_then_sleeve_then_liner():
    """DESIGN 3.10: on one pipe dig -> sleeve -> liner, each sleeve filmed and open before it."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 21), span("D-3", 30, 31)],
        [
            verdict("D-1"),
            verdict("D-2", liner="closed", dig="closed"),
            verdict("D-3", sleeve="closed", liner="closed"),
        ],
        [sleeve("S-2", 19.5, 21.5)],
        [("S-2", "D-2")],
        covers=[("S-2", "p1@20")],
        laterals=[lateral(20), lateral(35)],
    )
    steps = steps_of(jobs_of(tables)["p1"], "sleeve_liner")
    graph = nx.DiGraph(after(steps))
    assert nx.is_directed_acyclic_graph(graph)
    at = {(one.step, one.sleeve_id): number for number, one in enumerate(steps)}

    def before(step: str, sleeve_id: str = "") -> set[tuple[str, str]]:
        wanted = nx.descendants(graph, at[step, sleeve_id])
        return {key for key, number in at.items() if number in wanted}

    ready = {("dig", ""), ("look", ""), ("clean", ""), ("check_access", "")}
    sleeved = {("flow_control", "S-2"), ("sleeve", "S-2")}
    assert before("sleeve", "S-2") == ready | {("flow_control", "S-2")}
    assert before("verify", "S-2") == ready | sleeved | {("reopen", "S-2")}
    under = ready | sleeved | {("reopen", "S-2"), ("verify", "S-2")}
    assert before("liner") == under | {("flow_control", "")}
    assert before("verify") == under | {("flow_control", ""), ("liner", ""), ("reopen", "")}


def test_a_method_that_is_none_takes_no_work():
    """Nothing to do is nothing to do."""
    assert steps_of(job(("cut_roots",)), "nothing") == []


def test_the_worst_urgency():
    """now > this_year > programme > when_near > none."""
    assert worst(["", "when_near", "now", "programme"]) == "now"
    assert worst([]) == ""


def test_which_laterals_count_as_live():
    """Unknown counts, closed does not."""
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1")],
        laterals=[
            lateral(1),
            lateral(2, "unknown"),
            lateral(3, "closed"),
            lateral(4, pipe_id="p2"),
        ],
    )
    assert jobs_of(tables)["p1"].live_laterals == 2
