"""The opened row: what stands behind the proposal for one span and its pipe, ready to be shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from planner.contracts.facts import RunFacts
from planner.contracts.verdicts import verdict_said
from planner.ground.mechanism_words import in_words
from planner.outputs.counter import Counter
from planner.outputs.drawings import strip_of
from planner.outputs.layers import words
from planner.outputs.plain import plain
from planner.outputs.wording import metres, size
from planner.repairs.decide_spans import DECIDABLE
from planner.review.span_list import Row
from planner.review.span_words import method_words, money
from planner.rule_spans import Tables
from planner.screening.explain import interval
from planner.screening.explain_place import lines_on
from planner.screening.explain_way import doubt_lines
from planner.tables import records_in

_ABOUT = {"span": "this span", "pipe": "the pipe", "totals": "all sleeves of the pipe"}
_WALL = {"yes": "enough", "no": "too thin", "undecided": "undecided"}
_CONDITION = {"partial": "partly deteriorated", "full": "fully deteriorated"}
_STATE = {"no": " (fails)", "undecided": " (undecided)"}
_QUIET = ("note", "urgency")
BOOK_SOURCE = "no source stated"


@dataclass(frozen=True)
class Reason:
    """What one rule says: its figure against its limit, where the limit is from."""

    about: str
    what: str
    why: str
    figure: str
    limit: str
    source: str
    standing: str
    rule: str


@dataclass(frozen=True)
class Way:
    """One way to mend the pipe, beside the others."""

    way: str
    possible: bool
    chosen: bool
    cost: str
    annual: str
    life: str
    why: str


@dataclass(frozen=True)
class SleeveView:
    """One proposed sleeve: where it lies, what stands under it, what its wall comes to."""

    name: str
    what: str
    place: str
    counter: str
    doubts: list[str]
    notes: list[str]
    serves_it: bool
    wall: str
    wall_why: str
    caution: str


@dataclass(frozen=True)
class Coded:
    """One coded row as it stands in its file, its photo and film, and how it was placed."""

    observation_id: str
    origin: str
    code: str
    place: str
    said: str
    part: str
    photo: str
    has_photo: bool
    film: str
    arithmetic: list[str]


@dataclass(frozen=True)
class Detail:
    """All that the opened row shows."""

    pipe_line: str
    length_m: float
    flip: str
    strip: Markup
    reasons: list[Reason]
    notes: list[Reason]
    ways: list[Way]
    break_even: str
    sleeves: list[SleeveView]
    coded: list[Coded]
    grades: list[Row]
    span_words: list[str]
    limits: list[str]
    choice: Row | None


@dataclass(frozen=True)
class _OnPipe:
    """What the strip drawing looks up, of one pipe."""

    spans: Mapping[str, list[Row]]
    laterals: Mapping[str, list[Row]]
    sleeve_spans: Mapping[str, list[str]]
    sleeve_laterals: Mapping[str, list[str]]
    units: str


def detail_of(row: Row, rows: Tables, facts: RunFacts, *, decided: bool) -> Detail:
    """Gather what the opened row shows.

    Parameters
    ----------
    row
        The row of the list.
    rows
        All tables, of its pipe alone.
    facts
        Units, currency, which photos and films there are.
    decided
        Whether a person said already what is done at this span.
    """
    pipe = records_in(rows["pipes"])[0]
    verdict = _first(rows["verdicts"], "span_id", row["span_id"])
    choice = _first(rows["choices"], "pipe_id", row["pipe_id"])
    sleeves = _shown_sleeves(rows)
    reasons = _reasons(row, rows, [str(one["sleeve_id"]) for one in sleeves])
    about_it = [one for one in reasons if one.about == _ABOUT["span"]]
    return Detail(
        _pipe_line(pipe, row, facts),
        float(pipe["length_m"]),
        flip_words(verdict) if verdict else "",
        _strip(pipe, row, sleeves, rows, facts),
        [one for one in reasons if not one.what.startswith(_QUIET)],
        [one for one in reasons if one.what.startswith(_QUIET)],
        _ways(rows, choice, facts),
        " ".join(str(one) for one in rows["break_even"]["why"]),
        [_sleeve(one, row, rows, facts) for one in sleeves],
        _coded_rows(row, rows, facts),
        [one | {"why": in_words(one["why"])} for one in records_in(rows["grades"])],
        _span_words(verdict, decided=decided),
        sorted({f"{one.rule}.{one.figure.split(' ')[0]}.ok = " for one in about_it if one.limit}),
        choice,
    )


def _first(frame: pd.DataFrame, key: str, value: str) -> Row | None:
    found = frame[(frame[key] == value).to_numpy(bool)]
    return records_in(found)[0] if len(found) else None


def _pipe_line(pipe: Row, row: Row, facts: RunFacts) -> str:
    lies = f"{pipe['us_node'] or '?'} to {pipe['ds_node'] or '?'}"
    length = metres(pipe["length_m"], facts.units)
    source = f" ({pipe['length_from']})" if pipe["length_from"] else ""
    parts = [lies, size(pipe["dn_mm"], facts.units), pipe["material"], length + source,
             pipe["use"], row["street"], row["area"]]  # fmt: skip
    if pipe["placing"] == "stopped":
        parts.append("lengths disagree: nothing is placed")
    return " \u00b7 ".join(str(part) for part in parts if part)


def flip_words(verdict: Mapping[str, Any]) -> str:
    """Say how far the verdict is from another one; '' where no single figure flips it."""
    unit = "" if verdict["flip_unit"] in ("", "-") else f" {verdict['flip_unit']}"
    column = str(verdict["flip_column"]).replace("_", " ")
    if column and verdict["flip_by"] == 0.0:
        return (
            f"{column} lies on or about {verdict['flip_at']:g}{unit}, "
            f"across which it is {verdict_said(verdict['flip_to'])}"
        )
    if column:
        return (
            f"nearest change: {column} at {verdict['flip_at']:g}{unit}, "
            f"{verdict['flip_by']:g}{unit} away, makes it {verdict_said(verdict['flip_to'])}"
        )
    if pd.notna(verdict["close_call"]) and verdict["close_call"]:
        return "within what its figures leave open, or with another extent, it would differ"
    return ""


def _shown_sleeves(rows: Tables) -> list[Row]:
    """Give the sleeves that are chosen; where another way is, all that were placed."""
    sleeves, chosen = rows["sleeves"], set(rows["choice_sleeves"]["sleeve_id"])
    kept = sleeves[sleeves["sleeve_id"].isin(chosen)] if chosen else sleeves
    return records_in(kept.sort_values(["from_m", "sleeve_id"]))


def _strip(pipe: Row, row: Row, sleeves: list[Row], rows: Tables, facts: RunFacts) -> Markup:
    """Draw the pipe with its sleeves and all its spans; '' without a length.

    It is our own drawing with every text escaped, by `outputs.strip`.
    """
    look_up = _OnPipe(
        _lists(rows["spans"], "pipe_id"),
        _lists(rows["laterals"], "pipe_id"),
        _pairs(rows["sleeve_spans"], "span_id"),
        _pairs(rows["sleeve_laterals"], "lateral_id"),
        facts.units,
    )
    counter = Counter.of(row["counter_node"] or str(pipe["us_node"]), pipe, facts.units)
    return Markup(str(strip_of(pipe, sleeves, counter, look_up)))


def _lists(frame: pd.DataFrame, key: str) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for one in records_in(pd.DataFrame(frame.drop(columns="geometry", errors="ignore"))):
        found.setdefault(str(one[key]), []).append(one)
    return found


def _pairs(frame: pd.DataFrame, other: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for sleeve, one in zip(frame["sleeve_id"], frame[other], strict=True):
        found.setdefault(str(sleeve), []).append(str(one))
    return found


def _reasons(row: Row, rows: Tables, sleeves: list[str]) -> list[Reason]:
    """List what rules say of the span, its pipe and its sleeves, the span's own first."""
    keys = {("span", row["span_id"]), ("pipe", row["pipe_id"]), ("totals", row["pipe_id"])}
    keys |= {("sleeve", one) for one in sleeves}
    order = {"span": 0, "pipe": 1, "sleeve": 2, "totals": 3}
    found = [
        one
        for one in records_in(rows["findings"])
        if (one["about"], one["key"]) in keys
    ]  # fmt: skip
    found.sort(key=lambda one: (order[one["about"]], str(one["key"]), str(one["finding_id"])))
    return [_reason(one) for one in found]


def _reason(one: Row) -> Reason:
    unit = "" if one["unit"] in ("", "-") else f" {one['unit']}"
    what = " ".join(part for part in (one["effect"], one["subject"]) if part).replace("_", " ")
    figure = f"{one['column']} {interval(one['low'], one['high'])}{unit}" if one["column"] else ""
    return Reason(
        _ABOUT.get(one["about"], f"sleeve {one['key']}"),
        what + _STATE.get(one["state"], ""),
        in_words(one["why"]),
        figure,
        "" if pd.isna(one["limit"]) else f"{one['limit']:g}{unit}",
        one["source"] or BOOK_SOURCE,
        one["standing"],
        one["rule_id"],
    )


def _ways(rows: Tables, choice: Row | None, facts: RunFacts) -> list[Way]:
    chosen = (choice["method"], choice["system"]) if choice else ("", "")
    return [
        Way(
            method_words(one["method"], one["system"]),
            bool(one["possible"]),
            (one["method"], one["system"]) == chosen,
            money(one["cost_cents"], facts),
            money(one["annual_cents"], facts),
            "" if pd.isna(one["life_years"]) else f"{one['life_years']:g} years",
            one["why"],
        )
        for one in records_in(rows["options"])
    ]


def _sleeve(one: Row, row: Row, rows: Tables, facts: RunFacts) -> SleeveView:
    serves = set(rows["sleeve_spans"].loc[rows["sleeve_spans"]["sleeve_id"] == one["sleeve_id"],
                                          "span_id"])  # fmt: skip
    what = f"{size(one['dn_mm'], facts.units)} x {metres(one['length_m'], facts.units)}"
    notes = [f"placed by a person: {one['placed_by']}"] if one["placed_by"] else []
    if one["end"] != "pipe":
        notes.append(f"ends at the manhole wall: {one['end'].replace('_', ' ')}")
    if one["laterals_count"]:
        notes.append(f"covers {one['laterals_count']} connections: to be opened again")
    if one["laterals_unknown"]:
        notes.append("lies where connections are not known")
    wall = _first(rows["wall_checks"], "sleeve_id", str(one["sleeve_id"]))
    return SleeveView(
        str(one["sleeve_id"]),
        f"{what}, {one['system']}",
        f"{metres(one['from_m'], facts.units)} to {metres(one['to_m'], facts.units)}",
        f"{metres(one['counter_m'], facts.units)} from {one['counter_node']}",
        doubt_lines(pd.Series(one)),
        notes,
        row["span_id"] in serves,
        "" if wall is None else _wall(wall),
        "" if wall is None else str(wall["why"]),
        "" if wall is None else str(wall["caution"]),
    )


def _wall(wall: Row) -> str:
    margin: str = "" if pd.isna(wall["margin_mm"]) else f", {wall['margin_mm']:+.2f} mm to the most"
    return (
        f"{_WALL[wall['state']]}{margin} (ASTM F1216 {wall['edition']}, "
        f"{_CONDITION[wall['condition']]} pipe)"
    )


def _coded_rows(row: Row, rows: Tables, facts: RunFacts) -> list[Coded]:
    """List the coded rows of the span, with file and row, and where each was placed."""
    links = rows["span_rows"]
    own = links[(links["span_id"] == row["span_id"]).to_numpy(bool)]
    parts = dict(zip(own["observation_id"], own["part"], strict=True))
    defects = rows["defects"]
    found = defects[defects["observation_id"].isin(parts)].drop(columns="geometry", errors="ignore")
    plain_pipes = rows["pipes"].drop(columns="geometry", errors="ignore")
    pipe = next(plain_pipes.itertuples(index=False))
    return [
        _coded(one, parts[one.observation_id], pipe, facts)
        for one in found.itertuples(index=False)
    ]  # fmt: skip


def _coded(one: Any, part: str, pipe: Any, facts: RunFacts) -> Coded:  # noqa: ANN401 - rows
    hours = [f"{hour:g}" for hour in (one.clock_from_h, one.clock_to_h) if not np.isnan(hour)]
    told = [f"{name} {value}" for name, value in (("q1", one.q1), ("q2", one.q2)) if value]
    told += [f"clock {' to '.join(hours)}"] if hours else []
    told += [f"stretch {one.stretch}"] if one.stretch else []
    told += ["at a joint"] if pd.notna(one.at_joint) and one.at_joint else []
    told += [f"\u201c{plain(one.remark)}\u201d"] if one.remark else []
    time = "" if pd.isna(one.video_s) else f" at {_clock(float(one.video_s))}"
    return Coded(
        one.observation_id,
        f"{one.file}, row {one.row}" if one.file else one.observation_id,
        " ".join(letters for letters in (one.code, one.char1, one.char2) if letters),
        f"{metres(one.s_m, facts.units)} by the counter",
        ", ".join(told) or words(one.mechanism),
        "" if part == "own" else part,
        one.photo,
        one.photo in facts.media,
        f"{one.video}{time}" if one.video else "",
        lines_on(pipe, one, {}),
    )


def _clock(seconds: float) -> str:
    """Write the time of a film, h:mm:ss."""
    minutes, rest = divmod(int(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def _span_words(verdict: Row | None, *, decided: bool) -> list[str]:
    """Give what may be said of the span; the rules still refuse what they close."""
    if verdict is None:
        return []
    can = [word for word in ("sleeve", "liner", "dig") if verdict[word] != "closed" or decided]
    said = [*can, "watch", "nothing"] if decided or verdict["verdict"] == DECIDABLE[0] else []
    said += ["place"] if verdict["verdict"] in ("refer", "sleeve") or decided else []
    return [*said, "limit", *(["undo"] if decided else [])]
