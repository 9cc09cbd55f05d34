"""Defects at one place become one span, which the rulebook screens as one.

Damage is joined where its coded stations or stretches touch, never because one sleeve
might reach both: placement decides that. Conditions and defects at joints all along stay
spans of their own and lend their figures to the damage that lies in them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import (
    DEFECTS,
    FLAGS,
    INSPECTIONS,
    LATERALS,
    LEFT_OVER,
    PIPES,
    SPAN_QUANTITIES,
    SPAN_ROWS,
    SPANS,
)
from planner.ground.ids import KnownIds, give_ids
from planner.screening.coverage import overtaken_by, seen_parts, with_rows
from planner.screening.joints import JOINT, REPEATED
from planner.screening.match import Flags
from planner.screening.places import SAME_M, gather
from planner.settings import Survey
from planner.tables import check, conform

STEP = "spans"
DAYS_PER_MONTH = 365.25 / 12.0
_ROLES = ("damage", "condition", "flag")
_DEPOSITS = ("deposit_attached", "deposit_settled")
# Figures of a span that are shares of the nominal size.
_OF_DN = (
    ("offset_mm", "offset_dn_ratio"),
    ("missing_mm", "missing_dn_ratio"),
    ("break_mm", "break_dn_ratio"),
)

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Spanned:
    """What `make_spans` gives; `lost_ids` are earlier ids without an heir."""

    spans: pd.DataFrame
    span_rows: pd.DataFrame
    flags: pd.DataFrame
    left_over: pd.DataFrame
    lost_ids: pd.DataFrame


def make_spans(  # noqa: PLR0913  four tables, and what decides
    pipes: pd.DataFrame,
    inspections: pd.DataFrame,
    defects: pd.DataFrame,
    laterals: pd.DataFrame,
    settings: Survey,
    known: KnownIds,
    *,
    first_day: str,
) -> Spanned:
    """Join defects at one place into spans.

    Parameters
    ----------
    pipes, inspections, defects, laterals
        As `locate` gave them.
    settings
        How close stations are one place.
    known
        Ids of earlier runs: a span at an earlier one's place keeps its id.
    first_day
        YYYY-MM-DD, the day to which the age of surveys counts; "" = unknown.

    Returns
    -------
    Spanned
        `SPANS` with each figure as an interval (the worst of its rows), `SPAN_ROWS`,
        `FLAGS`, and `LEFT_OVER`: rows that a newer survey has overtaken.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    tables = ((pipes, PIPES), (inspections, INSPECTIONS), (defects, DEFECTS), (laterals, LATERALS))
    for frame, table in tables:
        check(frame, table)
    flags = Flags()
    seen = with_rows(seen_parts(pipes, inspections, settings), defects)
    newer = overtaken_by(defects, seen)
    members = gather(defects[newer == ""], pipes, settings, flags)
    spans = _spans_of(members)
    links = _links(members, _lenders(spans))
    spans = spans.join(_words(links, spans.index)).join(_worst(links, spans.index))
    spans = _of_pipe(spans, pipes, laterals)
    spans["survey_age_months"] = _ages(spans["oldest"], first_day)
    ids, lost = give_ids(id_rows(spans), known, "span", spans["find_m"])
    rows = links.assign(span_id=links["place"].map(ids))
    said = [{"step": STEP, "key": key, "what": what} for key, what in dict.fromkeys(flags.rows)]
    return Spanned(
        spans=conform(spans.assign(span_id=ids), SPANS),
        span_rows=conform(rows.drop_duplicates(["span_id", "observation_id"]), SPAN_ROWS),
        flags=conform(said, FLAGS),
        left_over=_overtaken(defects, newer),
        lost_ids=lost,
    )


def id_rows(spans: pd.DataFrame) -> pd.DataFrame:
    """Give `spans` the column by which only things of one nature inherit an id.

    Damage is known again by its place alone; a condition, and what recurs along the pipe,
    by its mechanism too: a sag and a deposit on the same stretch must not swap what was
    decided on them.
    """
    by_place = (spans["role"] == "damage") & (spans["kind"] != REPEATED)
    step = spans["role"].where(by_place, spans["mechanisms"])
    return spans.assign(step=step)


def _spans_of(members: pd.DataFrame) -> pd.DataFrame:
    """Give one row for each place, by number: where it is, and what its own rows say."""
    own = members[(members["part"] == "own").to_numpy()]
    known = own["at_joint"].astype("boolean")
    by_place = own.assign(
        arc_h=own["arc_h"].astype("float64"),
        find_m=own["find_m"].astype("float64"),
        joint=known.fillna(value=False).astype(bool),
        no_joint=(~known).fillna(value=False).astype(bool),
        long=own["kind"] == "stretch",
        oldest=own["seen_on"].astype("str"),
    ).groupby("place", sort=True)
    spans = by_place.agg(
        pipe_id=("pipe_id", "first"),
        group=("group", "first"),
        counter_node=("counter_node", "first"),
        long=("long", "any"),
        joint=("joint", "any"),
        no_joint=("no_joint", "all"),
        arc_h=("arc_h", "max"),
        find_m=("find_m", "max"),
        oldest=("oldest", "min"),
    )
    ends = members.groupby("place", sort=True).agg(from_m=("from_m", "min"), to_m=("to_m", "max"))
    spans = spans.join(ends)
    group = spans["group"]
    whole = group.str.startswith(f"{REPEATED} ").astype(bool)
    damage = group.isin(("damage", "flag", JOINT)) | whole
    spans["role"] = np.where(damage, "damage", "condition")
    spans["kind"] = np.where(whole, REPEATED, np.where(spans["long"], "stretch", "point"))
    spans["at_joint"] = spans["joint"].astype("boolean").mask(~spans["joint"] & ~spans["no_joint"])
    spans["extent_from"] = _extent_origin(members, spans)
    spans["state"] = "open"
    return spans


def _extent_origin(members: pd.DataFrame, spans: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Say what the two ends of each span rest on: the least certain of both."""
    sure = members["extent_from"] != "assumed"
    start = members["from_m"].where(sure, members["core_from"])
    end = members["to_m"].where(sure, members["core_to"])
    coded = pd.DataFrame({"place": members["place"], "start": start, "end": end})
    coded = coded.groupby("place", sort=True).agg(start=("start", "min"), end=("end", "max"))
    assumed = (spans["from_m"] < coded["start"] - SAME_M) | (spans["to_m"] > coded["end"] + SAME_M)
    measured = (members["extent_from"] == "quantity").groupby(members["place"]).any()
    assumed |= (
        members["group"].eq("joint").groupby(members["place"]).any()
        & (~sure).groupby(members["place"]).any()
    )
    return np.where(assumed, "assumed", np.where(measured, "quantity", "coded")).astype(object)


def _lenders(spans: pd.DataFrame) -> pd.DataFrame:
    """Pair each damage span with the conditions and repeated defects that it lies in."""
    places = spans[["pipe_id", "from_m", "to_m", "group", "kind", "role"]].reset_index()
    places["again"] = (places["group"] == JOINT) | (places["kind"] == REPEATED)
    takers = places[places["role"] == "damage"]
    givers = places[(places["role"] == "condition") | places["again"]]
    pairs = takers.merge(givers, on="pipe_id", suffixes=("", "_giver"))
    both = pairs["again"] & pairs["again_giver"]
    meet = (pairs["from_m_giver"] <= pairs["to_m"] + SAME_M) & (
        pairs["to_m_giver"] >= pairs["from_m"] - SAME_M
    )
    return pairs.loc[meet & ~both, ["place", "place_giver"]]


def _links(members: pd.DataFrame, lenders: pd.DataFrame) -> pd.DataFrame:
    """Say which rows speak for each span: its own first, then flags, then lent ones."""
    lent = lenders.merge(members, left_on="place_giver", right_on="place", suffixes=("", "_row"))
    parts = [members, lent.drop(columns=["place_giver", "place_row"]).assign(part="lent")]
    links = pd.concat([part.astype(object) for part in parts if len(part)] or parts)
    links["rank"] = links["part"].map({"own": 0, "flag": 1, "lent": 2})
    links = links.sort_values(["place", "rank", "core_from", "observation_id"], kind="stable")
    return links.reset_index(drop=True)


def _words(links: pd.DataFrame, places: pd.Index) -> pd.DataFrame:
    """Gather mechanisms, kinds of root and deposit, and what is seen through the wall."""
    mechanism, part = links["mechanism"], links["part"]
    solid = part != "lent"

    def joined(column: str, wanted: pd.Series) -> pd.Series:
        some = links[wanted.to_numpy(dtype=bool)]
        join = _named if column == "mechanism" else _kinds
        texts = some.groupby("place", sort=True)[column].agg(join)
        return texts.reindex(places, fill_value="").astype("str")

    def seen(what: str) -> pd.Series:
        told = (mechanism == what) | links["shows"].str.contains(what, regex=False)
        some = links.loc[(solid & told).to_numpy(dtype=bool), "place"]
        return pd.Series(places.isin(some), index=places, dtype="boolean")

    return pd.DataFrame(
        {
            "mechanisms": joined("mechanism", part == "own"),
            "lent": joined("mechanism", part == "lent"),
            "root_kind": joined("detail", mechanism == "roots"),
            "deposit_kind": joined("detail", mechanism.isin(_DEPOSITS)),
            "soil_visible": seen("soil_visible"),
            "void_visible": seen("void_visible"),
            "coded_lateral": seen("at_lateral"),
        },
        index=places,
    )


def _named(texts: pd.Series) -> str:
    return "+".join(sorted(set(texts)))


def _kinds(texts: pd.Series) -> str:
    """Join unlike texts; a blank among named ones is a kind of its own, not the mildest."""
    unlike = sorted({text or "unknown" for text in texts})
    return "" if unlike == ["unknown"] else "+".join(unlike)


def _worst(links: pd.DataFrame, places: pd.Index) -> pd.DataFrame:
    """Give each figure of a span as an interval: the worst that its rows can mean.

    A row whose figure is unknown leaves the upper end open: it may be the worst.
    """
    figures = pd.DataFrame(
        {
            "place": links["place"].astype("int64"),
            "quantity": links["quantity"].astype("str"),
            "low": links["quantity_low"].astype("float64"),
            "high": links["quantity_high"].astype("float64").fillna(np.inf),
        }
    )
    worst = figures.pivot_table(["low", "high"], "place", "quantity", aggfunc="max")
    both = [(side, name) for name in SPAN_QUANTITIES for side in ("low", "high")]
    out = worst.reindex(index=places, columns=pd.MultiIndex.from_tuples(both))
    out = out.replace(np.inf, np.nan)
    out.columns = pd.Index([f"{name}_{side}" for side, name in both])
    return out


def _of_pipe(spans: pd.DataFrame, pipes: pd.DataFrame, laterals: pd.DataFrame) -> pd.DataFrame:
    """Add what only the pipe can say: shares of its size, and laterals close by."""
    out = spans.copy()
    on = pipes.set_index("pipe_id").reindex(out["pipe_id"])
    dn = on["dn_mm"].to_numpy(dtype=float)
    dn = np.where(dn > 0.0, dn, np.nan)
    for name, ratio in _OF_DN:
        for side in ("low", "high"):
            out[f"{ratio}_{side}"] = out[f"{name}_{side}"].to_numpy(dtype=float) / dn
    start = (out["from_m"] - out["find_m"]).to_numpy(dtype=float)
    end = (out["to_m"] + out["find_m"]).to_numpy(dtype=float)
    near = _near_lateral(out, start, end, laterals) | out["coded_lateral"].to_numpy(dtype=bool)
    length = on["length_m"].to_numpy(dtype=float)
    known = on["laterals_known_from_m"].to_numpy(dtype=float) <= np.maximum(start, 0.0) + SAME_M
    known &= on["laterals_known_to_m"].to_numpy(dtype=float) >= np.minimum(end, length) - SAME_M
    out["at_lateral"] = pd.Series(near, out.index, dtype="boolean").mask(~near & ~known)
    return out


def _near_lateral(
    spans: pd.DataFrame, start: Numbers, end: Numbers, laterals: pd.DataFrame
) -> Marks:
    """Mark spans with a lateral between `start` and `end`, its half size taken in."""
    half = laterals["size_mm"].fillna(0.0) / 2000.0
    places = laterals[["pipe_id"]].assign(low=laterals["x_m"] - half, high=laterals["x_m"] + half)
    own = pd.DataFrame({"pipe_id": spans["pipe_id"].to_numpy(), "start": start, "end": end})
    own["at"] = np.arange(len(own))
    pairs = own.merge(places, on="pipe_id")
    meet = (pairs["low"] <= pairs["end"] + SAME_M) & (pairs["high"] >= pairs["start"] - SAME_M)
    marks = np.zeros(len(spans), dtype=bool)
    marks[pairs.loc[meet, "at"].to_numpy(dtype=int)] = True
    return marks


def _ages(oldest: pd.Series, first_day: str) -> Numbers:
    """Count the months from the oldest survey of each span to the first day; NaN if unknown."""
    if not first_day:
        return np.full(len(oldest), np.nan)
    days = pd.to_datetime(first_day) - pd.to_datetime(oldest.where(oldest != ""), format="%Y-%m-%d")
    months: Numbers = days.dt.days.to_numpy(dtype=float) / DAYS_PER_MONTH
    return np.maximum(months, 0.0)


def _overtaken(defects: pd.DataFrame, newer: npt.NDArray[np.object_]) -> pd.DataFrame:
    """List the rows that make no span because a newer survey saw their place."""
    old = (newer != "") & defects["role"].isin(_ROLES).to_numpy()
    rows = defects.loc[old, ["observation_id", "file", "row"]]
    rows = rows.rename(columns={"observation_id": "key"})
    reason = [f"older survey: {name} saw the place again" for name in newer[old]]
    return conform(rows.assign(step=STEP, reason=reason), LEFT_OVER)
