"""Names of pipes that a person has matched by hand, from ``id_matches.csv``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from planner.contracts import ID_MATCHES
from planner.errors import Fault
from planner.inputs.forms import read_form, refuse
from planner.tables import conform

FILE = "id_matches.csv"
_YES = frozenset({"yes", "y", "x", "1", "true"})


def read_id_matches(
    path: Path, pipe_ids: pd.Series, *, file: str = FILE
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read the rows whose ``accept`` says yes.

    Parameters
    ----------
    path
        A CSV as ``sleeveplan check`` writes it into out/check, with ``accept`` filled in.
    pipe_ids
        Ids of the network.
    file
        Name in messages.

    Returns
    -------
    matches, faults
        Obeys `ID_MATCHES`. Refused: a candidate that the network does not have, and a name
        that is matched to two pipes.
    """
    frame, faults = read_form(path, ID_MATCHES, as_written=("pipe_ref",), file=file)
    frame = frame[frame["accept"].str.strip().str.casefold().isin(_YES)]
    missing = ~frame["candidate"].isin(set(pipe_ids))
    gone = dict.fromkeys(frame.index[missing], "a pipe of the network")
    frame = refuse(frame, gone, "candidate", file, faults)
    twice = frame.duplicated(["survey_file", "pipe_ref"], keep=False)
    both = dict.fromkeys(frame.index[twice], "one candidate for each name")
    frame = refuse(frame, both, "candidate", file, faults)
    return conform(frame, ID_MATCHES), faults


def rename(
    inspections: pd.DataFrame, matches: pd.DataFrame
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Give runs the pipes that were accepted for their names; each is told.

    Parameters
    ----------
    inspections
        Obeys `INSPECTIONS`; it is not changed.
    matches
        Obeys `ID_MATCHES`.
    """
    accepted = {
        (str(file), str(ref)): str(pipe)
        for file, ref, pipe in matches[["survey_file", "pipe_ref", "candidate"]].itertuples(
            index=False
        )
    }
    keys = zip(inspections["file"], inspections["pipe_ref"], strict=True)
    new = [accepted.get((str(file), str(ref)), str(ref)) for file, ref in keys]
    told = [
        (str(run), f"pipe '{old}' taken as {pipe}, as {FILE} says")
        for run, old, pipe in zip(
            inspections["inspection_id"], inspections["pipe_ref"], new, strict=True
        )
        if pipe != old
    ]
    return inspections.assign(pipe_ref=pd.array(new, dtype="str")), told
