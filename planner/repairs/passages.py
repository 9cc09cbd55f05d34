"""From which manhole a packer comes to each sleeve: answer, figure, place, packer."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence

import pandas as pd

from planner.arrays import texts_of
from planner.contracts import FINDINGS, PACKERS, PASSAGES, PIPES, SLEEVES, SYSTEMS
from planner.contracts.facts import Tables
from planner.repairs.catalogue import packers_for
from planner.repairs.way import Bar, Passer, bars_of, stopped
from planner.tables import check, conform, rows_in

_UNITS = {"offset_ratio": "-", "bend_deg": "deg", "dn_mm": "mm"}
# The reason of a span whose sleeve no packer brings.
NO_WAY = "no packer that carries {}, the sleeve over it, comes there from either manhole"
# Which answer counts of several packers, and which of several places on one packer's way.
_BEST = ("yes", "undecided", "not judged", "no")
_WORST = ("no", "undecided", "not judged", "yes")
_NOISE_M = 1e-4
_LIMIT_FROM = "the packer's own limit, systems.toml"


def find_passages(tables: Tables) -> pd.DataFrame:
    """Say for each sleeve and each manhole of its pipe whether a packer comes there.

    Of the packers that carry the sleeve the one that comes nearest counts; of what lies
    on its way, what stops it first.

    Parameters
    ----------
    tables
        Of it: sleeves, pipes, systems, packers; defects, if they are there.

    Returns
    -------
    passages
        Obeys `PASSAGES`; an end of a pipe without a name has no row.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    sleeves, pipes = check(tables["sleeves"], SLEEVES), check(tables["pipes"], PIPES)
    check(tables["systems"], SYSTEMS), check(tables["packers"], PACKERS)
    cures = dict(zip(tables["systems"]["system"], tables["systems"]["cure"], strict=True))
    ends = {
        str(pipe): tuple(dict.fromkeys((str(us), str(ds))))
        for pipe, us, ds in rows_in(pipes, ["pipe_id", "us_node", "ds_node"])
    }
    bars, carriers, rows = bars_of(tables), {}, []
    columns = ["sleeve_id", "pipe_id", "system", "dn_mm", "from_m", "to_m", "length_m"]
    for sleeve_id, pipe_id, system, dn_mm, from_m, to_m, length in rows_in(sleeves, columns):
        kind = (system, dn_mm)
        if kind not in carriers:
            carriers[kind] = packers_for(tables["packers"], cures.get(kind[0], ""), kind[1])
        packers = [one for one in carriers[kind] if length <= one.carries_m + _NOISE_M]
        for side, node in enumerate(ends.get(pipe_id, ())):
            if node:
                way = [
                    bar
                    for bar in bars.get(pipe_id, ())
                    if (bar.beyond(to_m) if side else bar.before(from_m))
                ]
                way = way[::-1] if side else way
                rows.append((sleeve_id, pipe_id, node, *_best(packers, way, node)))
    columns_of = zip(_COLUMNS, zip(*rows, strict=True), strict=False)  # no rows, no columns
    return conform({name: list(column) for name, column in columns_of}, PASSAGES)


_COLUMNS = ("sleeve_id", "pipe_id", "node_id", "answer", "packer", "why", "observation_id",
            "mechanism", "at_m", "low", "high", "limit", "unit")  # fmt: skip
_NO_BAR = ("", "", math.nan, math.nan, math.nan, math.nan, "")


def _best(packers: Sequence[Passer], way: list[Bar], node: str) -> tuple[object, ...]:
    """Fill in the row of one sleeve and manhole, but for its keys."""
    if not packers:
        return "no", "", "no packer carries this sleeve", *_NO_BAR
    if not way:
        name = packers[0].packer
        return "yes", name, f"{name}: nothing lies on the way", *_NO_BAR
    answers = [_one(packer, way) for packer in packers]
    answer, packer, bar = min(answers, key=lambda one: _BEST.index(one[0]))
    if answer == "yes":
        return (
            "yes",
            packer.packer,
            f"{packer.packer}: passes {len(way)} places on the way",
            *_NO_BAR,
        )
    limit = packer.limit(bar)
    told = {"no": "does not pass", "undecided": "may not pass", "not judged": "not judged at"}
    why = f"{packer.packer} from {node}: {told[answer]} {stopped(packer, bar)}"
    figures = (bar.from_m, bar.low, bar.high, limit, _UNITS[bar.measure])
    return answer, packer.packer, why, bar.observation_id, bar.mechanism, *figures


def _one(packer: Passer, way: list[Bar]) -> tuple[str, Passer, Bar]:
    """Give the answer of one packer and the first place that decides it."""
    bar = min(way, key=lambda one: _WORST.index(packer.answer(one)))  # min gives the first
    return packer.answer(bar), packer, bar


def unreached(passages: pd.DataFrame) -> pd.DataFrame:
    """Give sleeve_id and why of each sleeve to which no packer comes from any manhole."""
    return _where_best(passages, {"no"})


def asked(passages: pd.DataFrame) -> pd.DataFrame:
    """Give sleeve_id and why of each sleeve that may be reached, from no manhole for certain."""
    best = _where_best(passages, {"no", "undecided"})
    if best.empty:
        return best
    return best[~best["sleeve_id"].isin(unreached(passages)["sleeve_id"])].reset_index(drop=True)


def _where_best(passages: pd.DataFrame, words: set[str]) -> pd.DataFrame:
    told: dict[str, list[str]] = {}
    reached = set()
    for sleeve_id, answer, why in rows_in(passages, ["sleeve_id", "answer", "why"]):
        told.setdefault(sleeve_id, []).append(why)
        if answer not in words:
            reached.add(sleeve_id)
    best = {key: "; ".join(whys) for key, whys in sorted(told.items()) if key not in reached}
    return pd.DataFrame({"sleeve_id": texts_of(list(best)), "why": texts_of(list(best.values()))})


def passage_findings(passages: pd.DataFrame) -> pd.DataFrame:
    """Write down the sleeves for which a person must say whether a packer comes there.

    Parameters
    ----------
    passages
        Obeys `PASSAGES`.

    Returns
    -------
    findings
        Obeys `FINDINGS`: one ``refer`` for each, with the figure nearest to its limit.
    """
    rows = []
    wanted: Mapping[str, str] = dict(rows_in(asked(passages), ["sleeve_id", "why"]))
    if not wanted:
        return conform([], FINDINGS)
    open_ = passages[passages["sleeve_id"].isin(wanted) & (passages["answer"] == "undecided")]
    for row in open_.drop_duplicates("sleeve_id").to_dict("records"):
        key = str(row["sleeve_id"])
        limit = float(row["limit"])
        rows.append(
            {
                "finding_id": f"sleeve|{key}||refer passage",
                "about": "sleeve",
                "key": key,
                "effect": "refer",
                "subject": "passage",
                "state": "undecided",
                "low": row["low"],
                "high": row["high"],
                "limit": None if math.isnan(limit) else limit,
                "unit": row["unit"],
                "why": wanted[key],
                "source": _LIMIT_FROM,
                "standing": "practice",
            }
        )
    return conform(rows, FINDINGS)


def unreached_findings(
    tables: Tables, left_over: pd.DataFrame, spans_out: Collection[str]
) -> pd.DataFrame:
    """Write down the spans without a sleeve because no packer comes there.

    Parameters
    ----------
    tables
        Of it: spans, pipes, systems, packers; defects, if they are there.
    left_over
        What placement left out: key (the span) and reason.
    spans_out
        The spans of it to which no packer comes, `Placed.unreached`.

    Returns
    -------
    findings
        Obeys `FINDINGS`: one ``rules_out sleeve`` for each, of no rule, with the figure
        of the nearest place that stops a packer.
    """
    told = rows_in(left_over, ["key", "reason"])
    lost = {key: reason for key, reason in told if key in spans_out}
    if not lost:
        return conform([], FINDINGS)
    sizes = tables["pipes"].set_index("pipe_id")["dn_mm"]
    spans = tables["spans"][tables["spans"]["span_id"].isin(lost)]
    cures = sorted(set(tables["systems"]["cure"]))
    bars, rows = bars_of(tables), []
    for key, pipe_id, from_m in spans[["span_id", "pipe_id", "from_m"]].itertuples(index=False):
        packers = [
            one
            for cure in cures
            for one in packers_for(tables["packers"], cure, float(sizes[pipe_id]))
        ]
        row = {
            "finding_id": f"span|{key}||rules_out sleeve: passage",
            "about": "span",
            "key": key,
            "effect": "rules_out",
            "subject": "sleeve",
            "state": "yes",
            "why": lost[key],
            "source": _LIMIT_FROM,
            "standing": "practice",
        }
        rows.append(row | _nearest_stop(packers, bars.get(str(pipe_id), ()), float(from_m)))
    return conform(rows, FINDINGS)


def _nearest_stop(
    packers: Iterable[Passer], bars: Sequence[Bar], from_m: float
) -> dict[str, object]:
    """Give figure, limit and unit of the place nearest to a span that stops a packer."""
    stops = [(bar, packer) for bar in bars for packer in packers if packer.answer(bar) == "no"]
    if not stops:
        return {}
    bar, packer = min(stops, key=lambda one: (abs(one[0].from_m - from_m), one[1].packer))
    return {
        "column": bar.measure,
        "low": bar.low,
        "high": bar.high,
        "limit": packer.limit(bar),
        "unit": _UNITS[bar.measure],
    }
