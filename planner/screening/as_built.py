"""What the field says of pipes and spans: measured figures, and sleeves that lie there.

A measurement outranks the survey that is not newer. A span inside sleeves that hold, and
older than they are, is mended; one that touches a sleeve that failed, or that a newer survey
saw under a sleeve, is for a person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from planner.contracts import AS_BUILT, FLAGS, LATERALS, MEASURED, PIPES, SPANS
from planner.ground.event_places import ends_of, holds
from planner.screening.places import SAME_M
from planner.tables import check, conform, records_in

STEP = "measured"
Row = dict[str, Any]
_KNOWN = ("laterals_known_from_m", "laterals_known_to_m")


def measured_pipes(
    pipes: pd.DataFrame, measured: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put the inside size, and where laterals are proved, as measured last.

    Parameters
    ----------
    pipes
        Obeys `PIPES`, with lengths set.
    measured
        Obeys `MEASURED`; of pipes that are not there nothing is said.

    Returns
    -------
    pipes, flags
        `PIPES`; `FLAGS` for a proved stretch that does not meet the known one.
    """
    check(pipes, PIPES), check(measured, MEASURED)
    own = records_in(measured[measured["pipe_id"].isin(pipes["pipe_id"])])
    if not own:
        return pipes, conform([], FLAGS)
    out, flags = pipes.copy(), []
    at = {str(pipe): n for n, pipe in enumerate(out["pipe_id"])}
    values = {name: out[name].to_numpy(dtype=float, copy=True) for name in ("inside_mm", *_KNOWN)}
    length = out["length_m"].to_numpy(dtype=float)
    for row in sorted(own, key=lambda one: (one["at"], one["event_id"])):
        n = at[str(row["pipe_id"])]
        if not pd.isna(row["inside_mm"]):
            values["inside_mm"][n] = row["inside_mm"]
        if pd.isna(row[_KNOWN[0]]):
            continue
        known = (values[_KNOWN[0]][n], values[_KNOWN[1]][n])
        proved = (float(row[_KNOWN[0]]), min(float(row[_KNOWN[1]]), float(length[n])))
        joined = _joined(known, proved)
        if joined is None:
            joined = max(known, proved, key=lambda part: part[1] - part[0])
            what = (
                f"laterals are known from {known[0]:.2f} to {known[1]:.2f} m and from "
                f"{proved[0]:.2f} to {proved[1]:.2f} m; only the longer is counted"
            )
            flags.append(_flag(row, what))
        values[_KNOWN[0]][n], values[_KNOWN[1]][n] = joined
    return out.assign(**values), conform(flags, FLAGS)


def _flag(row: Row, what: str) -> dict[str, str]:
    """Flag a measurement by its pipe, so that a pipe screened anew takes its flags with it."""
    return {"step": STEP, "key": str(row["pipe_id"]), "what": f"{row['event_id']}: {what}"}


def _joined(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float] | None:
    """Join two stretches that meet; None where they do not."""
    if pd.isna(one[0]) or pd.isna(one[1]):
        return other
    if other[0] > one[1] + SAME_M or one[0] > other[1] + SAME_M:
        return None
    return min(one[0], other[0]), max(one[1], other[1])


def as_it_lies(
    spans: pd.DataFrame, days: Mapping[str, tuple[str, str]], tables: Mapping[str, pd.DataFrame]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Say of each span where it was found, what was seen there, and what lies over it.

    Parameters
    ----------
    spans
        Obeys `SPANS`, as the surveys have them.
    days
        By span the days of its oldest and newest row, '' = not known; see `days_of`.
    tables
        Of it: pipes, laterals, measured, as_built.

    Returns
    -------
    spans, flags
        `SPANS`; `FLAGS` for a place that names no one damage, or lies off its pipe.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    measured = check(tables["measured"], MEASURED)
    built = check(tables["as_built"], AS_BUILT)
    touched = {*measured["pipe_id"], *built["pipe_id"]} & {*spans["pipe_id"]}
    if not touched:
        return spans, conform([], FLAGS)
    mine = spans["pipe_id"].isin(touched).to_numpy(dtype=bool)
    rows = records_in(spans[mine])
    length = dict(zip(tables["pipes"]["pipe_id"], tables["pipes"]["length_m"], strict=True))
    flags = []
    by_pipe: dict[str, list[Row]] = {}
    for row in rows:
        by_pipe.setdefault(str(row["pipe_id"]), []).append(row)
    found = records_in(measured[measured["pipe_id"].isin(touched)])
    for one in sorted(found, key=lambda row: (row["at"], row["event_id"])):
        pipe_id = str(one["pipe_id"])
        why = _measure(one, by_pipe[pipe_id], days, float(length.get(pipe_id, 0.0)))
        if why:
            flags.append(_flag(one, why))
    live = _live(check(tables["laterals"], LATERALS))
    for sleeve in records_in(built[built["pipe_id"].isin(touched)]):
        _lay(sleeve, by_pipe[str(sleeve["pipe_id"])], days)
    _mend(records_in(built[built["pipe_id"].isin(touched)]), by_pipe, live, days)
    parts = [part.astype(object) for part in (spans[~mine], pd.DataFrame(rows)) if len(part)]
    return conform(pd.concat(parts), SPANS), conform(flags, FLAGS)


def days_of(spans: pd.DataFrame, span_rows: pd.DataFrame, defects: pd.DataFrame) -> dict[
    str, tuple[str, str]
]:  # fmt: skip
    """Give by span the days on which its own rows were first and last seen.

    A row of no known day makes both unknown: nobody can say what it is older than.
    """
    own = span_rows[(span_rows["part"] == "own").to_numpy(dtype=bool)]
    seen = own.merge(defects[["observation_id", "seen_on"]], on="observation_id")
    ends = seen.groupby("span_id")["seen_on"].agg(["min", "max"])
    found = {str(k): (str(a), str(b)) if a else ("", "") for k, a, b in ends.itertuples(name=None)}
    return {str(one): found.get(str(one), ("", "")) for one in spans["span_id"]}


def _older(days: tuple[str, str], at: str, *, same_day: bool) -> bool:
    """Say whether all rows of a span are older than a time; of the same day where it may be."""
    newest, day = days[1], at[:10]
    return bool(newest) and (newest <= day if same_day else newest < day)


def _measure(
    one: Row, spans: Sequence[Row], days: Mapping[str, tuple[str, str]], length_m: float
) -> str:
    """Put what was measured onto the spans that it is about; say why not where it cannot be."""
    there = [
        row
        for row in spans
        if row["role"] == "damage" and _meet(one, row)
        and _older(days[str(row["span_id"])], str(one["at"]), same_day=True)
    ]  # fmt: skip
    if not pd.isna(one["void_visible"]):
        for row in there:
            row["void_visible"] = bool(one["void_visible"])
    if pd.isna(one["find_from_m"]):
        return ""
    start, end = float(one["find_from_m"]), float(one["find_to_m"])
    if len(there) != 1:
        names = ", ".join(str(row["span_id"]) for row in there) or "none"
        return (
            f"found from {start:.2f} to {end:.2f} m: which damage is not said ({names}): not used"
        )
    if end > length_m + SAME_M:
        return f"found at {end:.2f} m of a pipe of {length_m:.2f} m: not used"
    there[0].update(from_m=start, to_m=end, extent_from="quantity")
    return ""


def _meet(one: Row, span: Row) -> bool:
    start, end = ends_of(one)
    return bool(start <= span["to_m"] + SAME_M and end >= span["from_m"] - SAME_M)


def _live(laterals: pd.DataFrame) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    rows = laterals[(laterals["state"] != "closed").to_numpy(dtype=bool)]
    for pipe_id, x_m in rows[["pipe_id", "x_m"]].itertuples(index=False):
        found.setdefault(str(pipe_id), []).append(float(x_m))
    return found


def _lay(sleeve: Row, spans: Sequence[Row], days: Mapping[str, tuple[str, str]]) -> None:
    """Mark damage that a failed sleeve touches, and damage seen under a sleeve after it was set."""
    if sleeve["removed_at"]:
        return
    for span in spans:
        if span["role"] != "damage" or not _meet(sleeve, span):
            continue
        newest = days[str(span["span_id"])][1]
        if sleeve["failed"] or newest > str(sleeve["installed_at"])[:10]:
            span["state"] = "failed_sleeve"


def _mend(
    built: Sequence[Row],
    by_pipe: Mapping[str, Sequence[Row]],
    live: Mapping[str, Sequence[float]],
    days: Mapping[str, tuple[str, str]],
) -> None:
    """Mark damage that lies whole in sleeves that hold and is older than all of them."""
    holding: dict[str, list[Row]] = {}
    for sleeve in built:
        if is_accepted(sleeve, live.get(str(sleeve["pipe_id"]), ())):
            holding.setdefault(str(sleeve["pipe_id"]), []).append(sleeve)
    for pipe_id, sleeves in holding.items():
        for span in by_pipe[pipe_id]:
            if span["role"] != "damage" or span["kind"] == "repeated" or span["state"] != "open":
                continue
            own = [
                one
                for one in sleeves
                if _older(days[str(span["span_id"])], str(one["installed_at"]), same_day=False)
            ]
            if any(holds(part, span) for part in _runs(own)):
                span["state"] = "mended"


def is_accepted(sleeve: Row, live: Sequence[float]) -> bool:
    """Say whether a sleeve holds: filmed since, not failed, its connections opened, there yet.

    Parameters
    ----------
    sleeve
        A row of `AS_BUILT`.
    live
        Places of the pipe's live laterals [m].
    """
    covers = any(sleeve["from_m"] < x_m < sleeve["to_m"] for x_m in live)
    opened = bool(sleeve["reopened_at"]) or not covers
    filmed = bool(sleeve["verified_at"]) and not sleeve["failed"]
    return filmed and opened and not sleeve["removed_at"]


def _runs(sleeves: Sequence[Row]) -> list[Row]:
    """Join sleeves that lap into the stretches that they hold together."""
    runs: list[Row] = []
    for one in sorted(sleeves, key=lambda row: (row["from_m"], row["to_m"])):
        if runs and one["from_m"] <= runs[-1]["to_m"] + SAME_M:
            runs[-1]["to_m"] = max(runs[-1]["to_m"], one["to_m"])
        else:
            runs.append({"from_m": one["from_m"], "to_m": one["to_m"]})
    return runs
