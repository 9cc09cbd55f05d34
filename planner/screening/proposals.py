"""Pipes that a run without a match may mean, for a person to accept; nothing is matched here."""

from __future__ import annotations

import difflib

import pandas as pd

from planner.contracts import ID_MATCHES
from planner.screening.match import normalised
from planner.tables import conform

# So like must a name be to be proposed, and so many are.
_LIKE, _MOST = 0.75, 3


def propose_ids(pipes: pd.DataFrame, inspections: pd.DataFrame) -> pd.DataFrame:
    """List candidates for each pipe name that no pipe was found for.

    Parameters
    ----------
    pipes
        Obeys `PIPES`.
    inspections
        Obeys `INSPECTIONS`, as `locate` gave them.

    Returns
    -------
    proposals
        Obeys `ID_MATCHES`, with ``accept`` blank: pipes whose ids are the same but for their
        form, that join the run's two nodes, or whose ids are nearly the same. A name
        without any candidate stands there too, to be filled in by hand.
    """
    open_runs = inspections[(inspections["matched_by"] == "none") & (inspections["pipe_ref"] != "")]
    by_form: dict[str, list[str]] = {}
    for pipe, key in zip(pipes["pipe_id"], normalised(pipes["pipe_id"]), strict=True):
        by_form.setdefault(str(key), []).append(str(pipe))
    by_nodes: dict[frozenset[str], list[str]] = {}
    for pipe, us, ds in pipes[["pipe_id", "us_node", "ds_node"]].itertuples(index=False):
        by_nodes.setdefault(frozenset((str(us), str(ds))), []).append(str(pipe))
    named = {pipe.casefold(): pipe for pipe in pipes["pipe_id"].astype(str)}
    names = sorted(named)
    rows = []
    for (file, ref), part in open_runs.groupby(["file", "pipe_ref"], sort=True):
        first = part.iloc[0]
        ends = frozenset((str(first["start_node"]), str(first["end_node"])))
        key = str(normalised(pd.Series([ref])).iloc[0])
        found = dict.fromkeys(by_form.get(key, []), "the same but for zeros, spaces or case")
        if len(ends) == 2 and "" not in ends:
            found |= {p: f"joins {' and '.join(sorted(ends))}" for p in by_nodes.get(ends, [])}
        near = difflib.get_close_matches(str(ref).casefold(), names, n=_MOST, cutoff=_LIKE)
        for name in near:
            found.setdefault(named[name], "a name nearly the same")
        for pipe, why in found.items() or [("", "no pipe is like it: write the candidate in")]:
            rows.append({"survey_file": file, "pipe_ref": ref, "candidate": pipe, "why": why})
    return conform(rows, ID_MATCHES)
