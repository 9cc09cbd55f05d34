"""Which decisions of people can be taken, as held against what is proposed without and with them.

Both ways in use it: a form (`folder.accept_form`) and the page (`review`).
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from planner.contracts import LEFT_OVER
from planner.errors import RulebookError
from planner.repairs.accept import METHOD_WORDS, sift_decisions, stamp
from planner.repairs.decide_spans import NOT_APPLIED, limit_of, records, who
from planner.rule_spans import Tables
from planner.screening.own_limits import with_own
from planner.screening.rulebook import Rulebook
from planner.tables import conform

Proposing = Callable[[pd.DataFrame], Tables]
"""Gives the tables that are proposed if just these decisions stand."""


def sift(
    part: pd.DataFrame, stored: pd.DataFrame, tables_of: Proposing, book: Rulebook
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part decisions that can be taken from those that cannot, and stamp what people saw.

    Parameters
    ----------
    part
        The columns of `DECISIONS`: rows that are all about spans, or all about pipes.
    stored
        Obeys `DECISIONS`: what stands in the store.
    tables_of
        Called first with what stood before; where a place is decided a second time.
    book
        The project's rulebook.

    Returns
    -------
    kept, left_over
        Rows with their fingerprints; `LEFT_OVER` with the reason of each other row.
    """
    # A person may decide a span, or a pipe, anew: it is held against what is said of it
    # without what people said before, for only the latest counts.
    about_spans = (part["span_id"] != "").any()
    anew = set(part.loc[part["decision"] != "limit", "span_id"])
    again = stored["span_id"].isin(anew) if about_spans else stored["pipe_id"].isin(part["pipe_id"])
    others = stored[~again | ((stored["span_id"] == "") == about_spans)]
    # A named method, and a limit, change what is proposed: they are looked at as if taken.
    trial = part[part["decision"].isin([*METHOD_WORDS, "limit"])]
    if about_spans:
        trial = trial[trial["decision"] == "limit"]
    given = pd.concat([others, trial]) if len(trial) else others
    tables = tables_of(given)
    kept, refused = sift_decisions(part, tables["verdicts"], tables["choices"])
    kept, unknown = _known_limits(kept, book)
    kept, nowhere = _possible_places(kept, given, tables_of)
    left = pd.concat([refused, unknown, nowhere])
    return stamp(kept, tables["choices"], tables["spans"]), left


def _possible_places(
    rows: pd.DataFrame, given: pd.DataFrame, tables_of: Proposing
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part places where a sleeve can lie from those where none can, by trying them."""
    places = rows["decision"] == "place"
    if not places.any():
        return rows, conform([], LEFT_OVER)
    flags = tables_of(pd.concat([given, rows]))["flags"]
    told = flags[flags["step"] == "decisions"]
    good, left = [], []
    for row in records(rows):
        said = f"{who(row)}: {NOT_APPLIED}"
        whats = [
            what
            for key, what in zip(told["key"], told["what"], strict=True)
            if row["decision"] == "place" and key == row["span_id"] and what.startswith(said)
        ]
        good.append(not whats)
        key = f"pipe {row['pipe_id']}, span {row['span_id']}"
        left += [{"step": "decisions", "key": key, "reason": what} for what in whats]
    return rows[pd.Series(good, rows.index, "bool")], conform(left, LEFT_OVER)


def _known_limits(rows: pd.DataFrame, book: Rulebook) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part limits that the book has from those it has not, before the store takes them."""
    good, left = [], []
    for row in rows.to_dict("records"):
        reason = ""
        if row["decision"] == "limit":
            try:
                with_own(book, limit_of({str(name): value for name, value in row.items()}))
            except RulebookError as error:
                reason = str(error)
        good.append(not reason)
        if reason:
            key = f"pipe {row['pipe_id']}, span {row['span_id']}"
            left.append({"step": "decisions", "key": key, "reason": reason})
    return rows[pd.Series(good, rows.index, "bool")], conform(left, LEFT_OVER)
