"""Sleeves that a rule leaves to a person: their spans are referred until somebody decides."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from operator import itemgetter

import numpy as np
import pandas as pd

from planner.arrays import texts_of
from planner.contracts import VERDICTS
from planner.distinct import is_among
from planner.repairs.place import Placed
from planner.tables import check, conform, rows_in


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
    if placed.sleeve_spans.empty:
        return conform(verdicts, VERDICTS)
    by_sleeve, by_pipe = defaultdict[str, list[_Said]](list), defaultdict[str, list[_Said]](list)
    for sleeve_id, *said in rows_in(referred, ["sleeve_id", "rules", "why"]):
        by_sleeve[sleeve_id].append((said[0], said[1]))
    for pipe_id, *said in rows_in(referred_pipes, ["pipe_id", "rules", "why"]):
        by_pipe[pipe_id].append((said[0], said[1]))
    pipe_of = dict(rows_in(placed.sleeves, ["sleeve_id", "pipe_id"]))
    reasons = defaultdict[str, list[_Said]](list)
    for told, of in ((by_sleeve, None), (by_pipe, pipe_of)):
        for sleeve_id, span_id in rows_in(placed.sleeve_spans, ["sleeve_id", "span_id"]):
            if span_id not in decided:
                reasons[span_id] += told.get(sleeve_id if of is None else of[sleeve_id], ())
    found = {key: sorted(some, key=itemgetter(0)) for key, some in reasons.items() if some}
    asked = is_among(verdicts["span_id"], list(found)) & is_among(verdicts["verdict"], ["sleeve"])
    rows = np.flatnonzero(asked)
    ids = verdicts["span_id"].array.take(rows).tolist()
    hit = {at: found[key] for at, key in zip(rows.tolist(), ids, strict=True)}
    if not hit:
        return conform(verdicts, VERDICTS)
    new = {
        "sleeve": dict.fromkeys(hit, "asked"),
        "verdict": dict.fromkeys(hit, "refer"),
        "rules": {at: "+".join(rules for rules, _ in some) for at, some in hit.items()},
        "why": {
            at: "the sleeve over it: " + "; ".join(why for _, why in some)
            for at, some in hit.items()
        },
    }
    out = verdicts.assign(**{name: _put(verdicts[name], words) for name, words in new.items()})
    return conform(out, VERDICTS)


_Said = tuple[str, str]
"""Rules and why of one referral."""


def _put(column: pd.Series, words: Mapping[int, str]) -> pd.Series:
    """Give a column of texts with other words at some places; the others are not looked at."""
    at = np.arange(len(column))
    at[list(words)] = len(column) + np.arange(len(words))
    both = pd.concat([column, pd.Series(texts_of(list(words.values())))])
    return pd.Series(both.array.take(at), column.index)
