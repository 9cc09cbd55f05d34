"""Sleeves that a rule leaves to a person: their spans are referred until somebody decides."""

from __future__ import annotations

import pandas as pd

from planner.contracts import VERDICTS
from planner.repairs.place import Placed
from planner.tables import check, conform


def refer_sleeves(
    verdicts: pd.DataFrame,
    placed: Placed,
    referred: pd.DataFrame,
    referred_pipes: pd.DataFrame,
    decided: set[str],
) -> pd.DataFrame:
    """Refer the spans under sleeves that a rule asks an engineer to look at.

    Parameters
    ----------
    verdicts
        Obeys `VERDICTS`, decisions taken in.
    placed
        The sleeves and the spans they serve.
    referred
        sleeve_id, rules, why of each sleeve that a rule refers.
    referred_pipes
        pipe_id, rules, why of each pipe that is sleeved too much.
    decided
        Ids of spans on which a person has decided: those stay as decided.

    Returns
    -------
    verdicts
        Obeys `VERDICTS`; a referred span's sleeve is ``asked``.

    Raises
    ------
    TableError
        If `verdicts` breaks its contract.
    """
    check(verdicts, VERDICTS)
    pipe_of = placed.sleeves.set_index("sleeve_id")["pipe_id"]
    pairs = placed.sleeve_spans.assign(pipe_id=placed.sleeve_spans["sleeve_id"].map(pipe_of))
    reasons = pd.concat(
        [
            pairs.merge(referred[["sleeve_id", "rules", "why"]], on="sleeve_id"),
            pairs.merge(referred_pipes[["pipe_id", "rules", "why"]], on="pipe_id"),
        ]
    )
    reasons = reasons[~reasons["span_id"].isin(decided)].sort_values(["span_id", "rules"])
    by_span = reasons.groupby("span_id").agg({"rules": "+".join, "why": "; ".join})
    hit = verdicts["span_id"].isin(by_span.index) & (verdicts["verdict"] == "sleeve")
    ids = verdicts.loc[hit, "span_id"]
    out = verdicts.copy()
    out.loc[hit, "sleeve"] = "asked"
    out.loc[hit, "verdict"] = "refer"
    out.loc[hit, "rules"] = ids.map(by_span["rules"])
    out.loc[hit, "why"] = "the sleeve over it: " + ids.map(by_span["why"])
    return conform(out, VERDICTS)
