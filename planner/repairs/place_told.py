"""What becomes of the places that people decided on: kept, kept with less than asked, or not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd

from planner.contracts import FLAGS
from planner.repairs.decide_spans import NOT_APPLIED
from planner.repairs.place import Placed
from planner.repairs.place_own import Own
from planner.tables import conform


def not_kept(own: Sequence[Own], placed: Placed) -> pd.DataFrame:
    """List the places of people's own that no sleeve has, with the reason.

    Parameters
    ----------
    own
        What people decided.
    placed
        Sleeves after all rules have spoken.

    Returns
    -------
    flags
        Obeys `FLAGS`.
    """
    if not own:
        return conform([], FLAGS)
    by_hand = placed.sleeves.loc[placed.sleeves["placed_by"] != "", "sleeve_id"]
    pairs = placed.sleeve_spans
    kept = set(pairs.loc[pairs["sleeve_id"].isin(by_hand), "span_id"])
    left = dict(zip(placed.left_over["key"], placed.left_over["reason"], strict=True))
    return _flags(
        (one, NOT_APPLIED + (placed.refused.get(one.span_id) or left.get(one.span_id, "no place")))
        for one in own
        if one.span_id in placed.refused or one.span_id not in kept
    )


def ruled_out(own: Sequence[Own], placed: Placed, barred: pd.DataFrame) -> dict[str, str]:
    """Say by span which rule rules out the sleeve that a person placed over it.

    Parameters
    ----------
    own
        What people decided.
    placed
        Sleeves as first placed.
    barred
        sleeve_id and why of those that a rule rules out.
    """
    mine = {one.span_id for one in own}
    pairs = placed.sleeve_spans.merge(barred[["sleeve_id", "why"]], on="sleeve_id")
    pairs = pairs[pairs["span_id"].isin(mine)]
    return {
        str(span): f"a rule rules out a sleeve there: {why}"
        for span, why in zip(pairs["span_id"], pairs["why"], strict=True)
    }


def without(decisions: pd.DataFrame, flags: pd.DataFrame) -> pd.DataFrame:
    """Take out what was decided on the spans that `flags` name; limits of their own stay."""
    gone = decisions["span_id"].isin(set(flags["key"]))
    return decisions[~gone | decisions["decision"].isin(["limit", "undo"])]


def told_places(own: Sequence[Own], placed: Placed, referred: pd.DataFrame) -> pd.DataFrame:
    """Tell of kept places what they lack of what is asked, and what rules leave to a person.

    Parameters
    ----------
    own
        What people decided, all of it kept.
    placed
        The sleeves.
    referred
        sleeve_id and why of sleeves that a rule would have an engineer look at.

    Returns
    -------
    flags
        Obeys `FLAGS`: one line for each span where there is anything to tell.
    """
    if not own:
        return conform([], FLAGS)
    pairs = placed.sleeve_spans.merge(referred[["sleeve_id", "why"]], on="sleeve_id")
    whys = pairs.groupby("span_id")["why"].agg("; ".join).to_dict()
    lines = []
    for one in own:
        if told := placed.told.get(one.span_id):
            lines.append((one, f"applied as the engineer's own choice: {told}"))
        if why := whys.get(one.span_id):
            lines.append((one, f"applied, though a rule leaves this sleeve to a person: {why}"))
    return _flags(lines)


def _flags(lines: Iterable[tuple[Own, str]]) -> pd.DataFrame:
    rows = [
        {"step": "decisions", "key": one.span_id, "what": f"{one.said}: {what}"}
        for one, what in lines
    ]
    return conform(rows, FLAGS)
