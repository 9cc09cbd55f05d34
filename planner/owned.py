"""Which pipe each row of a proposal belongs to, so that one pipe's rows can be taken out of it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from planner.contracts import CHOICES, OBSERVATIONS, PIPES
from planner.contracts.books import IDS
from planner.distinct import places_in
from planner.errors import TableError
from planner.ground.overlay import NOBODY, Places, owners_by_key
from planner.order import FEW
from planner.propose import Proposal
from planner.rule_spans import Tables
from planner.tables import check, conform

_BY_PIPE = ("pipes", "inspections", "laterals", "defects", "growth", "spans", "verdicts",
            "grades", "sleeves", "pipe_totals", "passages", "wall_checks", "options",
            "option_lines", "break_even", "choices", "choice_sleeves")  # fmt: skip
_BY_SLEEVE = ("sleeve_spans", "sleeve_laterals", "wall_figures")
Lines = npt.NDArray[np.object_]
PRICES_STEP = "options"
"""Step of the flags about prices: they are about the project, not about a pipe."""


def at_of(known: pd.Index, names: pd.Series) -> Places:
    """Give the place in `known` of each name, -1 where it is not there."""
    if len(known) <= FEW:
        return places_in(names, known)
    return np.asarray(known.get_indexer(pd.Index(names)), dtype=np.intp)


BESIDE = {
    "known": IDS,
    "lost spans": None,
    "lost sleeves": None,
    "wanted": None,
    "chosen": CHOICES,
}
"""Rows kept beside the tables of a proposal."""


def frames_of(made: Proposal) -> Tables:
    """Give the tables whose rows belong to pipes, and what is kept beside them."""
    names = (*_BY_PIPE, *_BY_SLEEVE, "span_rows", "findings", "flags", "left_over")
    beside = (made.known.table, *made.lost_ids, made.wanted, made.chosen)
    return {name: made.tables[name] for name in names} | dict(zip(BESIDE, beside, strict=True))


def owners_of(made: Proposal, decisions: pd.DataFrame, ids: pd.Index) -> dict[str, Places]:
    """Give of each row of each table the place of its pipe in `ids`."""
    t = made.tables
    frames = frames_of(made)
    if len(ids) == 1:
        return _owned(frames, decisions, t, ids)
    found = {name: at_of(ids, frames[name]["pipe_id"]) for name in (*_BY_PIPE, *BESIDE)}

    def by(parents: str, key: str, values: pd.Series) -> Places:
        places = at_of(pd.Index(t[parents][key]), values)
        return np.append(found[parents], NOBODY)[places]

    found |= {name: by("sleeves", "sleeve_id", t[name]["sleeve_id"]) for name in _BY_SLEEVE}
    found["span_rows"] = by("spans", "span_id", t["span_rows"]["span_id"])
    findings = t["findings"]
    about = findings["about"].to_numpy(object)
    on_pipe = at_of(ids, findings["key"])
    on_span = by("spans", "span_id", findings["key"])
    on_sleeve = by("sleeves", "sleeve_id", findings["key"])
    found["findings"] = np.select(
        [about == "span", about == "sleeve"], [on_span, on_sleeve], on_pipe
    )
    named = [*named_in(t, ids), *asked_in(decisions, ids)]
    found["left_over"] = owners_by_key(t["left_over"]["key"], named)
    flags = owners_by_key(t["flags"]["key"], named)
    found["flags"] = np.where(t["flags"]["step"] == PRICES_STEP, NOBODY, flags)
    return found


def _owned(
    frames: Tables, decisions: pd.DataFrame, tables: Tables, ids: pd.Index
) -> dict[str, Places]:
    """Give the owners where there is one pipe: only keys of flags and rows may be of none."""
    found = {name: np.zeros(len(frame), dtype=np.intp) for name, frame in frames.items()}
    named = [*named_in(tables, ids), *asked_in(decisions, ids)]
    keys = {
        name for names, places in named for name, at in zip(names, places, strict=True) if at == 0
    }
    for name in ("left_over", "flags"):
        mine = [key in keys for key in frames[name]["key"].tolist()]
        found[name] = np.where(mine, 0, NOBODY).astype(np.intp)
    found["flags"][(frames["flags"]["step"] == PRICES_STEP).to_numpy(dtype=bool)] = NOBODY
    return found


def named_in(tables: Tables, ids: pd.Index) -> list[tuple[pd.Series, Places]]:
    """Give the keys by which flags and rows left over name things, with their pipes."""
    keys = {"pipes": "pipe_id", "inspections": "inspection_id", "defects": "observation_id",
            "laterals": "lateral_id", "spans": "span_id", "sleeves": "sleeve_id"}  # fmt: skip
    out = [(tables[name][key], at_of(ids, tables[name]["pipe_id"]))
           for name, key in keys.items()]  # fmt: skip
    # Coded rows that are left over are no defects.
    runs, rows = tables["inspections"], tables["observations"]
    at = at_of(pd.Index(runs["inspection_id"]), rows["inspection_id"])
    return [*out, (rows["observation_id"], np.append(out[1][1], NOBODY)[at])]


def asked_in(decisions: pd.DataFrame, ids: pd.Index) -> list[tuple[pd.Series, Places]]:
    """Give the spans that decisions name: one that is not there has the pipe they name."""
    if decisions.empty:
        return []
    about = decisions[decisions["span_id"] != ""]
    return [(about["span_id"], at_of(ids, about["pipe_id"]))]


def _drawn_alike(one: Lines, other: Lines) -> bool:
    """Tell whether pipes are drawn as before; without a drawing they may be both times."""
    return all(
        a is b or bool(shapely.equals(a, b)) or (a is None and b is None)
        for a, b in zip(one, other, strict=True)
    )


def changed_rows(
    read: Mapping[str, pd.DataFrame],
    pipes: pd.DataFrame | None,
    observations: pd.DataFrame | None,
) -> dict[str, pd.DataFrame]:
    """Check what is to stand for the rows read; only what is one pipe's own may change.

    Parameters
    ----------
    read
        pipes, inspections and observations of the pipes, as they were read.
    pipes, observations
        Obey `PIPES` and `OBSERVATIONS`: what is to stand for them; None = as before.

    Returns
    -------
    changed
        Of the two what was given, by name.

    Raises
    ------
    TableError
        If a table breaks its contract, is of other runs, or draws a pipe anew.
    """
    out = {}
    if pipes is not None:
        was, now = read["pipes"], conform(check(pipes, PIPES), PIPES)
        fixed = ("pipe_id", "us_node", "ds_node", "drawn_m")
        if not all(was[name].equals(now[name]) for name in fixed) or not _drawn_alike(
            was["geometry"].to_numpy(), now["geometry"].to_numpy()
        ):
            message = "rescreen: pipes, manholes and drawings are those of before: wants a full run"
            raise TableError(message)
        out["pipes"] = now
    if observations is not None:
        now = conform(check(observations, OBSERVATIONS), OBSERVATIONS)
        strange = ~now["inspection_id"].isin(read["inspections"]["inspection_id"])
        if strange.any():
            name = now["inspection_id"][strange].iloc[0]
            message = f"rescreen: run {name} is of none of the changed pipes"
            raise TableError(message)
        out["observations"] = now
    return out
