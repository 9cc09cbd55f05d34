"""What each part of a city needs: its own rows, and what the whole says of them.

Which run is whose, by how much lists are too long and which prices are in force hang on all
pipes together: they are settled here, once. What belongs to no pipe goes with the first part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.city.filing import Hashes, digest_of, row_marks
from planner.city.parts import part_pipes
from planner.distinct import is_among
from planner.ground.ids import KnownIds
from planner.inputs.project import Inputs
from planner.screening.axis import Listed, listed_lengths
from planner.screening.locate import STEP, match_runs
from planner.screening.match import Flags

Places = npt.NDArray[np.intp]
Tables = dict[str, pd.DataFrame]
_ID_KINDS = ("span", "sleeve")


@dataclass(frozen=True)
class Town:
    """A project by parts.

    `own` says of each table of which part each row is, `nodes_of` which nodes each part's
    pipes end at; `told` are the flags (step, key, what) of matching runs to pipes.
    """

    count: int
    frames: Mapping[str, pd.DataFrame]
    own: Mapping[str, Places]
    nodes: pd.DataFrame
    known_elsewhere: pd.DataFrame
    listed: Listed
    told: list[dict[str, str]]

    def part(self, number: int) -> Tables:
        """Give the rows of one part, in their order."""
        out = {
            name: frame.iloc[np.flatnonzero(self.own[name] == number)]
            for name, frame in self.frames.items()
        }
        return {**out, "nodes": self._nodes_of(out["pipes"])}

    def known_of(self, number: int) -> pd.DataFrame:
        """Give the ids known on the pipes of one part."""
        return self.frames["known"].iloc[np.flatnonzero(self.own["known"] == number)]

    def without_rows(self) -> Town:
        """Give the town without the rows of its parts, but for the ids known on them."""
        known = {"known": self.frames["known"]}
        own = {"known": self.own["known"]}
        return replace(self, frames=known, own=own, nodes=self.nodes.iloc[:0])

    def _nodes_of(self, pipes: pd.DataFrame) -> pd.DataFrame:
        ends = pd.concat([pipes["us_node"], pipes["ds_node"]])
        return self.nodes[is_among(self.nodes["node_id"], ends)]


def split_town(
    inputs: Inputs, known: KnownIds, decisions: pd.DataFrame, most: int | None = None
) -> Town:
    """Lay a project out by parts.

    Parameters
    ----------
    inputs, known, decisions
        As for `propose.propose`.
    most
        Pipes of one part at most; None = as `parts.most_of` has it.
    """
    pipes, flags = inputs.pipes, Flags()
    matched = match_runs(pipes, inputs.inspections, inputs.observations, flags)
    of_pipe = part_pipes(pipes, most)
    ids, runs = pd.Index(pipes["pipe_id"]), matched.inspections

    def by(names: pd.Series) -> Places:
        at = ids.get_indexer(pd.Index(names))
        return np.where(at >= 0, of_pipe[at], 0) if len(of_pipe) else np.zeros_like(at)

    of_run = by(runs["pipe_id"])
    at = pd.Index(runs["inspection_id"]).get_indexer(pd.Index(inputs.observations["inspection_id"]))
    given = known.table["kind"].isin(_ID_KINDS).to_numpy(dtype=bool)
    own_ids = known.table[given]
    frames = {
        "pipes": pipes,
        "laterals": inputs.laterals,
        "inspections": runs,
        "matching": pd.DataFrame(
            {
                "inspection_id": runs["inspection_id"],
                "pipe_id": runs["pipe_id"],
                "refused": matched.refused,
                "through": matched.through,
            }
        ),
        "observations": inputs.observations,
        "as_built": inputs.as_built,
        "measured": inputs.measured,
        "decisions": decisions,
        "known": own_ids,
    }
    own = {
        "pipes": of_pipe,
        "inspections": of_run,
        "matching": of_run,
        "observations": np.append(of_run, 0)[at],
        "decisions": by(_pipes_meant(decisions, own_ids)),
    }
    own |= {name: by(frames[name]["pipe_id"]) for name in frames if name not in own}
    return Town(
        count=int(of_pipe.max(initial=0)) + 1,
        frames=frames,
        own=own,
        nodes=inputs.nodes,
        known_elsewhere=known.table[~given],
        listed=listed_lengths(pipes, matched, inputs.settings.survey),
        told=[{"step": STEP, "key": key, "what": what} for key, what in flags.rows],
    )


def _pipes_meant(decisions: pd.DataFrame, ids: pd.DataFrame) -> pd.Series:
    """Give the pipe that each decision is about: that of its span, where it is known."""
    spans = ids[ids["kind"] == "span"]
    lies_on = dict(zip(spans["id"], spans["pipe_id"], strict=True))
    named = zip(decisions["span_id"], decisions["pipe_id"], strict=True)
    return pd.Series([lies_on.get(span, pipe) for span, pipe in named], dtype="str")


class Marks:
    """Digests of the rows of parts; each row is looked at once."""

    def __init__(self, town: Town) -> None:
        self._town = town
        self._marks: dict[str, Hashes] = {
            name: row_marks(frame) for name, frame in town.frames.items()
        }
        self._nodes = pd.Series(row_marks(town.nodes), index=town.nodes["node_id"].array)

    def of_part(self, number: int) -> tuple[str, str]:
        """Give the digests of a part's rows without the ids known, and of these."""
        town = self._town
        mine = {name: marks[town.own[name] == number] for name, marks in self._marks.items()}
        known = mine.pop("known")
        pipes = town.frames["pipes"].iloc[np.flatnonzero(town.own["pipes"] == number)]
        ends = sorted({*pipes["us_node"].tolist(), *pipes["ds_node"].tolist()})
        at = self._nodes.index.get_indexer(pd.Index(ends))
        mine["nodes"] = self._nodes.to_numpy()[np.sort(at[at >= 0])]
        return digest_of(mine), known_digest(known)


def known_digest(marks: Hashes) -> str:
    """Give a digest of ids known, from the marks of their rows in any order."""
    return digest_of({"known": np.sort(marks)})
