"""What each part of a city needs: its own rows, and what the whole says of them.

Which run is whose, by how much lists are too long and which prices are in force hang on all
pipes together: they are settled here, once. What belongs to no pipe goes with the first part.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.city.filing import digest_of
from planner.city.parts import part_pipes
from planner.distinct import is_among, places_in, texts_at
from planner.ground.ids import KnownIds
from planner.inputs.inputs import Inputs
from planner.marks import Hashes, row_marks
from planner.screening.axis import Listed, listed_lengths
from planner.screening.locate import STEP, match_runs
from planner.screening.match import Flags

Places = npt.NDArray[np.intp]
Tables = dict[str, pd.DataFrame]
_ID_KINDS = ("span", "sleeve")


class ByPart:
    """Which rows of a table are whose; they are sorted by part once, however many there are.

    Parameters
    ----------
    own
        The part of each row.
    count
        How many parts there are.
    """

    def __init__(self, own: Places, count: int) -> None:
        # So few numbers are sorted in one walk.
        few = own.astype(np.uint16) if count <= np.iinfo(np.uint16).max else own
        self._order = np.argsort(few, kind="stable")
        self._ends = np.cumsum(np.bincount(own, minlength=count))

    def rows(self, number: int) -> Places:
        """Give the places of a part's rows, in their order."""
        first = int(self._ends[number - 1]) if number else 0
        return self._order[first : int(self._ends[number])]


@dataclass(frozen=True)
class Town:
    """A project by parts.

    `own` says of each table which rows each part has; `told` are the flags (step, key, what)
    of matching runs to pipes.
    """

    count: int
    frames: Mapping[str, pd.DataFrame]
    own: Mapping[str, ByPart]
    nodes: pd.DataFrame
    known_elsewhere: pd.DataFrame
    listed: Listed
    told: list[dict[str, str]]

    def part(self, number: int) -> Tables:
        """Give the rows of one part, in their order."""
        out = {name: frame.iloc[self.own[name].rows(number)] for name, frame in self.frames.items()}
        return {**out, "nodes": self._nodes_of(out["pipes"])}

    def known_of(self, number: int) -> pd.DataFrame:
        """Give the ids known on the pipes of one part."""
        return self.frames["known"].iloc[self.own["known"].rows(number)]

    def known_on(self, numbers: Iterable[int]) -> pd.DataFrame:
        """Give the ids known on the pipes of some parts."""
        places = [self.own["known"].rows(number) for number in numbers]
        return self.frames["known"].iloc[np.concatenate(places) if places else []]

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
    runs = matched.inspections

    def by(names: pd.Series) -> Places:
        at = places_in(names, pipes["pipe_id"])
        return np.where(at >= 0, of_pipe[at], 0) if len(of_pipe) else np.zeros_like(at)

    of_run = by(runs["pipe_id"])
    at = places_in(inputs.observations["inspection_id"], runs["inspection_id"])
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
    count = int(of_pipe.max(initial=0)) + 1
    return Town(
        count=count,
        frames=frames,
        own={name: ByPart(places, count) for name, places in own.items()},
        nodes=inputs.nodes,
        known_elsewhere=known.table[~given],
        listed=listed_lengths(pipes, matched, inputs.settings.survey),
        told=[{"step": STEP, "key": key, "what": what} for key, what in flags.rows],
    )


def _pipes_meant(decisions: pd.DataFrame, ids: pd.DataFrame) -> pd.Series:
    """Give the pipe that each decision is about: that of its span, where it is known."""
    spans = ids[(ids["kind"] == "span").to_numpy(dtype=bool)]
    at = places_in(decisions["span_id"], spans["id"])
    meant = texts_at(spans["pipe_id"], at)
    return meant.where(at >= 0, decisions["pipe_id"].array)


class Marks:
    """Digests of the rows of parts; each row is looked at once."""

    def __init__(self, town: Town) -> None:
        self._town = town
        self._marks: dict[str, Hashes] = {
            name: row_marks(frame) for name, frame in town.frames.items()
        }
        self._marks["nodes"] = row_marks(town.nodes)
        # An end that is no node counts by its name, as a pipe's own rows hold it.
        pipes, nodes = town.frames["pipes"], town.nodes["node_id"]
        self._ends = [places_in(pipes[end], nodes) for end in ("us_node", "ds_node")]

    def of_part(self, number: int) -> tuple[str, str]:
        """Give the digests of a part's rows without the ids known, and of these."""
        town = self._town
        mine = {name: self._marks[name][own.rows(number)] for name, own in town.own.items()}
        known = mine.pop("known")
        pipes = town.own["pipes"].rows(number)
        ends = np.unique(np.concatenate([places[pipes] for places in self._ends]))
        mine["nodes"] = self._marks["nodes"][ends[ends >= 0]]
        return digest_of(mine), known_digest(known)


def known_digest(marks: Hashes) -> str:
    """Give a digest of ids known, from the marks of their rows in any order."""
    return digest_of({"known": np.sort(marks)})
