"""Which set-ups may not be open at the same time: one pipe, a plugged manhole, a jet above."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import pandas as pd

from planner.contracts import PIPES, SETUP_APART, SETUPS
from planner.contracts.facts import Tables
from planner.ground.sewer import make_graph, upstream_within
from planner.tables import check, conform

# What sends water or debris down the sewer.
JETS = frozenset({"clean", "clean_again", "cut_roots", "cut_intrusion", "descale"})
# What lies open while it cures or sets.
OPEN = frozenset({"sleeve", "liner", "grout"})

# Two set-ups, and what one would do to the other.
Pair = tuple[str, str, str]


def find_apart(tables: Tables, *, guard_m: float) -> pd.DataFrame:
    """Find the pairs of set-ups that would disturb each other.

    Not at the same time: two on one pipe; two on pipes that share a manhole at which one
    plugs or bypasses the flow; jetting, or a plug that is released, upstream of an open
    sleeve within `guard_m` along the flow. A flow control that is not known counts as a
    bypass. The whole visit counts, not the cure alone.

    Parameters
    ----------
    tables
        Of it: setups, setup_works, works, pipes, nodes; flows where they are there.
    guard_m
        Way along the flow [m].

    Returns
    -------
    setup_apart
        Obeys `SETUP_APART`.

    Raises
    ------
    TableError
        If a table breaks its contract.

    References
    ----------
    The rules and 300 m: common practice, no source.
    """
    town, plugs = _Town.of(tables), _plugging(tables)
    said = [*town.on_one_pipe(), *town.at_one_node(plugs)]
    said += town.upstream(plugs, tables, guard_m)
    found: dict[tuple[str, str], str] = {}
    for one, other, why in said:
        if one != other:
            found.setdefault((min(one, other), max(one, other)), why)
    pairs = [{"setup_id": a, "other_id": b, "why": why} for (a, b), why in found.items()]
    return conform(pairs, SETUP_APART)


@dataclass(frozen=True)
class _Town:
    """Set-ups by id with pipe and steps, by pipe, and the ends of the pipes."""

    setups: dict[str, tuple[str, frozenset[str]]]
    on_pipe: dict[str, list[str]]
    ends: dict[str, tuple[str, str]]

    @classmethod
    def of(cls, tables: Tables) -> _Town:
        setups = pd.DataFrame(check(tables["setups"], SETUPS)).sort_values("setup_id")
        rows = {
            str(one): (str(pipe), frozenset(str(steps).split("+")))
            for one, pipe, steps in setups[["setup_id", "pipe_id", "steps"]].itertuples(index=False)
        }
        on_pipe: dict[str, list[str]] = {}
        for one, (pipe_id, _) in rows.items():
            on_pipe.setdefault(pipe_id, []).append(one)
        pipes = pd.DataFrame(check(tables["pipes"], PIPES))
        ends = {
            str(pipe): (str(us), str(ds))
            for pipe, us, ds in pipes[["pipe_id", "us_node", "ds_node"]].itertuples(index=False)
        }
        return cls(rows, on_pipe, ends)

    def on_one_pipe(self) -> Iterator[Pair]:
        """Give the pairs on one pipe."""
        for pipe_id, own in self.on_pipe.items():
            for one, other in combinations(own, 2):
                yield one, other, f"both on {pipe_id}"

    def at_one_node(self, plugs: Mapping[str, str]) -> Iterator[Pair]:
        """Give the pairs on pipes that share a manhole at which one stops the flow."""
        at: dict[str, list[str]] = {}
        for one, (pipe_id, _) in self.setups.items():
            for node in set(self.ends.get(pipe_id, ())) - {""}:
                at.setdefault(node, []).append(one)
        for one, how in plugs.items():
            pipe_id = self.setups[one][0]
            for node in dict.fromkeys(self.ends.get(pipe_id, ())):
                for other in at.get(node, []):
                    if self.setups[other][0] != pipe_id:
                        yield one, other, f"{how} at {node}"

    def upstream(self, plugs: Mapping[str, str], tables: Tables, guard_m: float) -> Iterator[Pair]:
        """Give the pairs of an open sleeve with a jet, or a plug to be released, above it."""
        pipes = pd.DataFrame(tables["pipes"])
        graph = make_graph(pipes, tables["nodes"])
        length_m = dict(zip(pipes["pipe_id"], pipes["length_m"].astype(float), strict=True))
        for one, (pipe_id, steps) in self.setups.items():
            if not steps & OPEN or pipe_id not in self.ends:
                continue
            above = upstream_within(graph, length_m, self.ends[pipe_id][0], guard_m)
            for there in sorted(set(above) & self.on_pipe.keys()):
                for other in self.on_pipe[there]:
                    way = f"{there}, {above[there]:.0f} m above {pipe_id}"
                    if self.setups[other][1] & JETS:
                        yield one, other, f"jetting on {way}"
                    elif plugs.get(other) == "plug":
                        yield one, other, f"a plug is released on {way}"


def _plugging(tables: Tables) -> dict[str, str]:
    """Say of the set-ups that stop the flow how: plug or bypass, the worst of their sleeves."""
    flows = tables.get("flows")
    how: dict[str, str] = {}
    if flows is not None:
        how = dict(zip(flows["sleeve_id"], flows["control"], strict=True))
    links = tables["setup_works"].merge(
        tables["works"][["work_id", "step", "sleeve_id"]], on="work_id", how="inner"
    )
    links = links[links["step"] == "flow_control"]
    found: dict[str, str] = {}
    for setup_id, sleeve_id in links[["setup_id", "sleeve_id"]].itertuples(index=False):
        control = how.get(sleeve_id, "bypass")
        if control in ("plug", "bypass") and found.get(str(setup_id)) != "plug":
            found[str(setup_id)] = control
    return found
