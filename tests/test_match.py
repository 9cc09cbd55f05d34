"""Which pipe a run belongs to and from which end its counter ran."""

from __future__ import annotations

import random
import re

import pandas as pd
import pytest

from planner.screening.match import (
    NO_ID,
    NO_NODE,
    Flags,
    Matched,
    match_inspections,
    normalised,
)
from tests.filmed import Row, Town, pipe, run

PIPES = [pipe("R1", "U", "D"), pipe("R2", "D", "E"), pipe("T1", "A", "B"), pipe("T2", "B", "A")]


def matched(*runs: Row, pipes: list[Row] = PIPES) -> tuple[Matched, list[str]]:
    town = Town(pipes, [(one, []) for one in runs])
    flags = Flags()
    found = match_inspections(town.pipe_table(), town.run_table(), flags)
    return found, [what for _, what in flags.rows]


def test_start_node_proves_the_counter() -> None:
    """A run that starts at ds_node counts from there, whichever way the pipe is drawn."""
    found, flags = matched(run("a", "R1", "U"), run("b", "R1", "D"))
    assert list(found.inspections["counter_node"]) == ["U", "D"]
    assert list(found.inspections["matched_by"]) == ["exact", "exact"]
    assert list(found.refused) == ["", ""]
    assert flags == []


def test_start_node_that_is_no_end_is_refused() -> None:
    """A run from a manhole that the pipe does not have is not placed on it."""
    found, _ = matched(run("a", "R1", "X"))
    assert found.refused[0] == "the run starts at X, no end of pipe R1 (U to D)"
    assert found.inspections["counter_node"][0] == ""


def test_start_node_of_another_pipe_names_that_pipe() -> None:
    """Where the two manholes are those of another pipe, the reason says which."""
    found, _ = matched(run("a", "R1", "E", end_node="D"))
    assert found.refused[0].endswith("its manholes are those of R2")


def test_direction_counts_only_where_no_node_is_named() -> None:
    """Without any node the direction is taken and flagged; without both the run is left over."""
    found, flags = matched(
        run("a", "R1", "", direction="up"),
        run("b", "R1", ""),
        run("c", "R1", "-", direction="down"),
    )
    assert list(found.inspections["counter_node"]) == ["D", "", "U"]
    assert "no start node and no direction" in found.refused[1]
    assert flags == [
        "start node not proved: the counter is taken from D by the direction 'up'",
        "start node not proved: the counter is taken from U by the direction 'down'",
    ]


def test_end_node_proves_the_counter_with_a_flag() -> None:
    """A run that only says where it ran to started at the other end."""
    found, flags = matched(run("a", "R1", "", end_node="U"))
    assert found.inspections["counter_node"][0] == "D"
    assert "start node not named" in flags[0]


def test_direction_against_the_nodes_is_a_flag_not_a_turn() -> None:
    """From us_node yet coded as upstream: the node counts."""
    found, flags = matched(
        run("a", "R1", "U", direction="up"), run("b", "R1", "U", direction="down")
    )
    assert list(found.inspections["counter_node"]) == ["U", "U"]
    assert flags == ["direction 'up' contradicts the nodes: the counter ran from U, which counts"]


def test_two_manholes_find_the_pipe_in_either_order() -> None:
    """An id that the network lacks is found by its manholes where they join one pipe only."""
    found, flags = matched(
        run("a", "old-7", "E", end_node="D"),
        run("b", "old-8", "A", end_node="B"),
        run("c", "", "U", end_node="E"),
        run("d", "q1", "U"),
    )
    assert list(found.inspections["pipe_id"]) == ["R2", "", "", ""]
    assert list(found.inspections["matched_by"]) == ["nodes", "none", "none", "none"]
    assert found.inspections["counter_node"][0] == "E"
    assert flags == ["pipe 'old-7' is not in the network: taken as R2 by its two manholes"]
    assert list(found.refused) == [
        "",
        "pipe 'old-8' is not in the network, and its manholes are joined by 2 pipes: T1, T2",
        "the run names no pipe, and no pipe joins U and E",
        "pipe 'q1' is not in the network, and it does not name both manholes",
    ]


def test_a_dash_is_no_node() -> None:
    """Runs between two unnamed nodes do not match pipes between two unnamed nodes."""
    found, _ = matched(run("a", "?", "-", end_node="-"), pipes=[pipe("R", "-", "-")])
    assert found.inspections["pipe_id"][0] == ""


def test_other_far_end_is_flagged_and_marked() -> None:
    """A run towards a manhole that the pipe does not end at says nothing of its length."""
    found, flags = matched(run("a", "R1", "U", end_node="Z"), run("b", "R1", "U", end_node="D"))
    assert list(found.through) == [True, False]
    assert "runs towards Z, which is not the other end of R1" in flags[0]


@pytest.mark.parametrize("direction", ["down", "up"])
def test_a_loop_is_refused(direction: str) -> None:
    """A pipe from a manhole back to it has no counter node that tells its ends apart."""
    loop = [pipe("L", "K", "K")]
    found, _ = matched(run("a", "L", "K", direction=direction), pipes=loop)
    assert found.refused[0] == "pipe L starts and ends at K: its ends cannot be told apart"


def test_no_runs_and_no_pipes_give_nothing() -> None:
    """Empty tables match to empty tables."""
    found, flags = matched(pipes=[])
    assert found.inspections.empty
    assert flags == []


ODD = ["0", "00", "1", "a", "A", "\u00df", "\u1e9e", "\u0130", "\u00e9", " ", "\t", "\n", "\x0b",
       "\x1c", "\x85", "\xa0", "\u2003", ".0", ".00", ".", "-", "nan", "NaT", ""]  # fmt: skip


def plainly(text: str) -> str:
    """Take off what lists change in an id, one text at a time."""
    plain = re.sub(r"\.0+$", "", re.sub(r"\s+", "", text.casefold()))
    plain = re.sub(r"^0+(?=.)", "", plain)
    return "" if plain in NO_ID else plain


def test_what_lists_change_in_ids_is_taken_off_all_at_once_as_one_by_one() -> None:
    """Spaces, letters and noughts of all kinds by lot, plain ones among them."""
    draw = random.Random(5)
    texts = ["".join(draw.choices(ODD, k=draw.randint(0, 5))) for _ in range(3_000)]
    index = range(7, 7 + len(texts))
    found = normalised(pd.Series(texts, index=index, dtype="str"))
    assert found.tolist() == [plainly(text) for text in texts]
    assert found.index.equals(pd.Index(index))


@pytest.mark.parametrize("node", [*NO_NODE, " ", "\t-\x0b", "\u2003", "\x85-"])
def test_a_name_that_is_none_is_no_node(node: str) -> None:
    """Spaces of all kinds round it change nothing; as a far end it proves nothing."""
    found, _ = matched(run("a", "R1", "U", end_node=node), run("b", "R1", "\x1c D\u2003"))
    assert list(found.inspections["counter_node"]) == ["U", "D"]
    assert not found.through.any()
