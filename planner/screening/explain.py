"""Why: the rules that spoke with figure, limit and source, the raw rows, where it all lies.

Everything is read from the tables of a run; nothing is reckoned anew but the
arithmetic of the position, which is written out so that a person can follow it.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.facts import Tables
from planner.contracts.repairs import WAY_WORDS
from planner.contracts.verdicts import DECIDE, verdict_said
from planner.errors import UnknownIdError, printable
from planner.ground.mechanism_words import in_words
from planner.screening.explain_cure import cure_lines
from planner.screening.explain_money import way_lines
from planner.screening.explain_place import flow_lines, length_line, place_lines
from planner.screening.explain_wall import wall_lines
from planner.screening.explain_way import doubt_lines, lap_lines, passage_lines

Row = Any  # a row as `itertuples` gives it: its columns are those of the contract


def explain_lines(key: str, tables: Tables) -> list[str]:
    """Explain one thing of a run.

    Parameters
    ----------
    key
        Id of a span, sleeve, work, coded row or pipe.
    tables
        All tables of the run, by contract name; those that are missing are passed over.

    Returns
    -------
    lines
        Print-ready text.

    Raises
    ------
    UnknownIdError
        If nothing has this id; the message names the nearest.
    """
    kinds: tuple[tuple[str, str, Callable[[Row, Tables], list[str]]], ...] = (
        ("spans", "span_id", _span),
        ("sleeves", "sleeve_id", _sleeve),
        ("works", "work_id", _work),
        ("observations", "observation_id", _observation),
        ("pipes", "pipe_id", _pipe),
    )
    lines: list[str] = []
    for table, column, tell in kinds:
        for row in _where(tables, table, column, key):
            lines += [*([""] if lines else []), *tell(row, tables)]
    if not lines:
        raise UnknownIdError(printable(_nobody(key, tables, [kind[:2] for kind in kinds])))
    return [printable(line) for line in lines]


def _nobody(key: str, tables: Tables, kinds: list[tuple[str, str]]) -> str:
    known = [
        str(one) for table, column in kinds if table in tables for one in tables[table][column]
    ]
    near = difflib.get_close_matches(key, known, n=3, cutoff=0.5)
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    return f"{key}: no span, sleeve, work, coded row or pipe has this id{hint}"


def _where(tables: Tables, name: str, column: str, key: str) -> list[Row]:
    if name not in tables:
        return []
    frame = tables[name]
    found = frame[frame[column] == key].drop(columns="geometry", errors="ignore")
    return list(found.itertuples(index=False))


def _span(span: Row, tables: Tables) -> list[str]:
    lines = _span_alone(span, tables)
    for link in _where(tables, "sleeve_spans", "span_id", span.span_id):
        lines += wall_lines(link.sleeve_id, tables)
    return lines


def _span_alone(span: Row, tables: Tables) -> list[str]:
    lent = f", in {_and(span.lent)}" if span.lent else ""
    lines = [
        f"Span {span.span_id} on pipe {span.pipe_id}: {_and(span.mechanisms)}{lent}",
        f"  {_stretch(span.from_m, span.to_m)} from the upstream manhole wall, {span.kind}"
        f" ({span.extent_from} extent)",
    ]
    for verdict in _where(tables, "verdicts", "span_id", span.span_id):
        lines += _verdict(verdict)
    lines += _findings("What the rules say of it", "span", span.span_id, tables)
    lines += _findings("What the rules say of its pipe", "pipe", span.pipe_id, tables)
    links = _where(tables, "span_rows", "span_id", span.span_id)
    lines += _raw({link.observation_id: link.part for link in links}, tables)
    lines += _growth([link.observation_id for link in links], tables)
    lines += _left_over(span.span_id, tables)
    served = _where(tables, "sleeve_spans", "span_id", span.span_id)
    for link in served:
        flows = _where(tables, "flows", "sleeve_id", link.sleeve_id)
        lines.append(f"Served by sleeve {link.sleeve_id}")
        lines[-1] += "".join(f", flow control {row.control} ({row.state})" for row in flows)
    return lines + _alternatives(span.pipe_id, tables)


def _verdict(verdict: Row) -> list[str]:
    states = ", ".join(f"{name} {getattr(verdict, name)}" for name in ("sleeve", "liner", "dig"))
    urgency = f" ({verdict.urgency})" if verdict.urgency else ""
    lines = [
        f"  verdict: {verdict_said(verdict.verdict)}; needs {verdict.needs}{urgency}; {states}",
        f"  because: {in_words(verdict.why)}",
    ]
    if verdict.rules:
        lines.append(f"  {DECIDE} because of: {_and(verdict.rules)}")
    if verdict.first:
        lines.append(f"  first: {_and(verdict.first)}")
    if pd.notna(verdict.close_call) and verdict.close_call:
        lines.append("  a close call: " + _close_call(verdict))
    elif verdict.flip_column:
        lines.append(
            f"  nearest change: {verdict.flip_column} at {verdict.flip_at:g}"
            f"{_unit(verdict.flip_unit)}, {verdict.flip_by:g} away, makes it "
            f"{verdict_said(verdict.flip_to)}"
        )
    if verdict.assumed:
        lines.append("  it rests on a rule whose standing is assumed")
    return lines


def _close_call(verdict: Row) -> str:
    if verdict.flip_column and verdict.flip_by == 0.0:
        return (
            f"{verdict.flip_column} lies on or about {verdict.flip_at:g}"
            f"{_unit(verdict.flip_unit)}, across which it is {verdict_said(verdict.flip_to)}"
        )
    return "within what its figures leave open, or with another extent, it would differ"


def _unit(unit: str) -> str:
    return "" if unit in ("", "-") else f" {unit}"


def _findings(title: str, about: str, key: str, tables: Tables) -> list[str]:
    if "findings" not in tables:
        return []
    frame = tables["findings"]
    rows = frame[(frame["about"] == about) & (frame["key"] == key)]
    lines = [_finding(row) for row in rows.itertuples(index=False)]
    return [f"{title}:", *lines] if lines else []


def _finding(row: Row) -> str:
    state = {"yes": "", "no": " (fails)", "undecided": " (undecided)"}.get(row.state, "")
    what = " ".join(part for part in (row.effect, row.subject) if part)
    line = f"  [{row.rule_id or 'no rule'}] {what}{state}: {in_words(row.why)}"
    if row.column:
        line += f" | {row.column} {interval(row.low, row.high)}"
        line += "" if np.isnan(row.limit) else f" against {row.limit:g}"
        line += _unit(row.unit)
    return line + (f" | {row.source} ({row.standing})" if row.source else "")


def interval(low: float, high: float) -> str:
    """Write a figure with what it leaves open."""
    if np.isnan(low) and np.isnan(high):
        return "not known"
    if low == high:
        return f"{low:g}"
    if np.isnan(high):
        return f"{low:g} or more"
    return f"up to {high:g}" if np.isnan(low) else f"{low:g} to {high:g}"


def _raw(parts: dict[str, str], tables: Tables) -> list[str]:
    """List the coded rows as they stand in their file, and how each came to its place."""
    if "defects" not in tables or not parts:
        return []
    frame = tables["defects"]
    found = frame[frame["observation_id"].isin(parts)]
    lines = ["Coded rows:"]
    for row in found.drop(columns="geometry", errors="ignore").itertuples(index=False):
        part = parts[str(row.observation_id)]
        lines.append(f"  {_coded(row)}" + ("" if part == "own" else f" [{part}]"))
        lines += [f"    {line}" for line in place_lines(row, tables)]
    return lines


def _coded(row: Row) -> str:
    letters = " ".join(part for part in (row.code, row.char1, row.char2) if part)
    said = [letters]
    said += [f"{name} {value}" for name, value in (("q1", row.q1), ("q2", row.q2)) if value]
    said += [f"clock {_clock(row)}"] if _clock(row) else []
    said += [f"stretch {row.stretch}"] if row.stretch else []
    said += ["at a joint"] if pd.notna(row.at_joint) and row.at_joint else []
    said += [f"'{row.remark}'"] if row.remark else []
    place = f"{row.file}, row {row.row}" if row.file else row.observation_id
    return f"{place}: at {row.s_m:.2f} m: {', '.join(said)} -> {row.mechanism}"


def _clock(row: Row) -> str:
    hours = [f"{hour:g}" for hour in (row.clock_from_h, row.clock_to_h) if not np.isnan(hour)]
    return " to ".join(hours)


def _sleeve(sleeve: Row, tables: Tables) -> list[str]:
    lines = [
        f"Sleeve {sleeve.sleeve_id} on pipe {sleeve.pipe_id}: DN {sleeve.dn_mm:g} x"
        f" {sleeve.length_m:.2f} m, {sleeve.system}",
        f"  {_stretch(sleeve.from_m, sleeve.to_m)} from the upstream manhole wall;"
        f" counter {sleeve.counter_m:.2f} m from node {sleeve.counter_node}",
        *(f"  {line}" for line in doubt_lines(sleeve)),
        *(f"  {line}" for line in lap_lines(sleeve, tables)),
    ]
    if sleeve.placed_by:
        lines.append(f"  placed by a person: {sleeve.placed_by}")
    if sleeve.end != "pipe":
        lines.append(f"  ends at the manhole wall: {sleeve.end}")
    laterals = _where(tables, "sleeve_laterals", "sleeve_id", sleeve.sleeve_id)
    lines += [f"  covers connection {link.lateral_id}: to be opened again" for link in laterals]
    if sleeve.laterals_unknown:
        lines.append("  lies where connections are not known")
    lines += [f"  {line}" for line in passage_lines(sleeve.sleeve_id, tables)]
    lines += [f"  {line}" for line in flow_lines(sleeve.sleeve_id, tables)]
    lines += _findings("What the rules say of it", "sleeve", sleeve.sleeve_id, tables)
    lines += wall_lines(sleeve.sleeve_id, tables)
    lines += cure_lines(sleeve.sleeve_id, tables)
    for link in _where(tables, "sleeve_spans", "sleeve_id", sleeve.sleeve_id):
        for span in _where(tables, "spans", "span_id", link.span_id):
            lines += ["", *_span_alone(span, tables)]
    return lines


def _work(work: Row, tables: Tables) -> list[str]:
    urgency = f", {work.urgency}" if work.urgency else ""
    lines = [
        f"Work {work.work_id}: {work.step} on pipe {work.pipe_id},"
        f" {_stretch(work.from_m, work.to_m)} from the upstream manhole wall{urgency}",
        f"  because: {work.reason}",
        f"  {work.state}" + (f" by {work.done_by}" if work.done_by else ""),
    ]
    if getattr(work, "held", "") or getattr(work, "not_before", ""):
        lines.append(f"  put off: {work.held or f'not before {work.not_before}'}")
    before = [link.after_id for link in _where(tables, "work_after", "work_id", work.work_id)]
    for name in before:
        earlier = _where(tables, "works", "work_id", name)
        lines += [f"  after {name}: {row.step}, {row.state}" for row in earlier]
    waiting = _where(tables, "waiting", "work_id", work.work_id)
    lines += [f"  not this week: {row.reason}" for row in waiting]
    for setup in _where(tables, "setup_works", "work_id", work.work_id):
        lines += _visits(setup.setup_id, tables)
    if work.sleeve_id:
        for sleeve in _where(tables, "sleeves", "sleeve_id", work.sleeve_id):
            lines += ["", *_sleeve(sleeve, tables)]
    return lines


def _visits(setup_id: str, tables: Tables) -> list[str]:
    visits = _where(tables, "visits", "setup_id", setup_id)
    lines = [f"  done in set-up {setup_id} by {row.crew} on {row.date}" for row in visits]
    unserved = _where(tables, "unserved", "setup_id", setup_id)
    return lines + [f"  set-up {setup_id} is not served: {row.reason}" for row in unserved]


def _observation(row: Row, tables: Tables) -> list[str]:
    lines = [
        f"Coded row {row.observation_id} of inspection {row.inspection_id}",
        f"  {_coded(row)}",
    ]
    places = _where(tables, "defects", "observation_id", row.observation_id)
    for place in places:
        lines += [f"  {line}" for line in place_lines(place, tables)]
    closes = _where(tables, "defects", "close_id", row.observation_id)
    lines += [f"  it ends the stretch that {one.observation_id} begins" for one in closes]
    for link in _where(tables, "span_rows", "observation_id", row.observation_id):
        lines.append(f"  {link.part or 'own'} row of span {link.span_id}")
    return lines + _left_over(row.observation_id, tables)


def _pipe(pipe: Row, tables: Tables) -> list[str]:
    size = "DN not known" if np.isnan(pipe.dn_mm) else f"DN {pipe.dn_mm:g}"
    material = f", {pipe.material}" if pipe.material else ""
    lines = [
        f"Pipe {pipe.pipe_id} from node {pipe.us_node or '?'} to {pipe.ds_node or '?'}:"
        f" {size}{material}",
        f"  {length_line(pipe)}",
    ]
    lines += _findings("What the rules say of it", "pipe", pipe.pipe_id, tables)
    lines += _findings("What the rules say of its sleeves together", "totals", pipe.pipe_id, tables)
    lines += _grades(pipe.pipe_id, tables)
    for span in _where(tables, "spans", "pipe_id", pipe.pipe_id):
        for row in _where(tables, "verdicts", "span_id", span.span_id):
            lines.append(
                f"Span {span.span_id}, {_stretch(span.from_m, span.to_m)}:"
                f" {_and(span.mechanisms)}: {verdict_said(row.verdict)}, {in_words(row.why)}"
            )
    for sleeve in _where(tables, "sleeves", "pipe_id", pipe.pipe_id):
        lines.append(
            f"Sleeve {sleeve.sleeve_id}, {_stretch(sleeve.from_m, sleeve.to_m)}, {sleeve.system}"
        )
    lines += _left_over(pipe.pipe_id, tables) + _doubts(pipe.pipe_id, tables)
    return lines + _alternatives(pipe.pipe_id, tables)


def _doubts(pipe_id: str, tables: Tables) -> list[str]:
    """List what is doubtful of a pipe and of its surveys, as flags have it."""
    runs = sorted(row.inspection_id for row in _where(tables, "inspections", "pipe_id", pipe_id))
    keys = dict.fromkeys((pipe_id, *runs))  # a survey may be called as its pipe is
    rows = [row for key in keys for row in _where(tables, "flags", "key", key)]
    head = ["What is doubtful of it and its surveys:"] if rows else []
    return [*head, *(f"  {row.key}: {row.what}" for row in rows)]


def _growth(rows: list[str], tables: Tables) -> list[str]:
    """Say what an older survey measured of the same places."""
    if "growth" not in tables:
        return []
    found = tables["growth"]
    return [_grown(row) for row in found[found["newer_id"].isin(rows)].itertuples(index=False)]


def _grown(row: Row) -> str:
    then, now = interval(row.older_low, row.older_high), interval(row.newer_low, row.newer_high)
    figures = f"{row.quantity} {then}, then {now}" if row.quantity else "without a figure, seen"
    older_on = row.older_on or "an unknown day"
    where = f"Seen before as row {row.older_id} of {older_on}"
    return f"{where}: {row.mechanism} {figures} on {row.newer_on}"


def _grades(pipe_id: str, tables: Tables) -> list[str]:
    """List what each scheme of grades says; two schemes are never compared."""
    rows = _where(tables, "grades", "pipe_id", pipe_id)
    lines = ["Grades, which move no rule:"] if rows else []
    for row in rows:
        doubt = "" if row.verified else ", unverified"
        why = f" ({in_words(row.why)})" if row.why else ""
        lines.append(
            f"  {row.scheme}, {row.requirement}, {row.measure}: {row.shown}{doubt};"
            f" inspection {row.key}{why}"
        )
    return lines


def _alternatives(pipe_id: str, tables: Tables) -> list[str]:
    """List what could be done on the pipe instead, and what was chosen."""
    lines = way_lines(pipe_id, tables)
    for row in _where(tables, "choices", "pipe_id", pipe_id):
        way = f"{WAY_WORDS.get(row.method, row.method)} {row.system}".strip()
        who = f" by {row.by} on {row.on}" if row.by else ""
        lines.append(f"Choice for pipe {pipe_id}: {way}, {row.state}{who}: {row.reason}")
    return lines


def _left_over(key: str, tables: Tables) -> list[str]:
    rows = _where(tables, "left_over", "key", key)
    return [f"Left over at {row.step}: {in_words(row.reason)}" for row in rows]


def _and(joined: str) -> str:
    return joined.replace("+", ", ")


def _stretch(from_m: float, to_m: float) -> str:
    return f"{from_m:.2f} to {to_m:.2f} m"
