"""The engineer's papers: queries on surveys, digs to approve, design basis, repairs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from planner.contracts.repairs import SIGNED, WAY_WORDS
from planner.outputs.handover import Column, Paper
from planner.outputs.paper_words import LOOK_AFTER, Desk
from planner.tables import records_in

_DUG = ("dig", "dig_liner")
_FIGURES = ("inside diameter", "ovality", "height of soil", "height of water", "live load")


def survey_queries(desk: Desk) -> Paper:
    """Ask the survey contractor for what could not be read or placed, one line each."""
    faults = desk.tables["faults"]
    surveys = set(desk.tables["inspections"]["file"]) | set(desk.tables["observations"]["file"])
    rows = [
        (
            str(row["file"]),
            _row(row["row"]),
            str(row["column"]),
            str(row["found"]),
            str(row["wanted"]),
        )
        for row in records_in(faults[faults["file"].isin(surveys)])
    ]
    left = desk.tables["left_over"]
    for (file, reason), own in left[left["step"] == "locate"].groupby(
        ["file", "reason"], sort=True
    ):
        first, more = str(own["key"].iloc[0]), len(own) - 1
        about = f"{first} and {more} like it" if more else first
        rows.append((str(file), _row(own["row"].min()), about, str(reason), "put right, or tell"))
    known = set(desk.tables["inspections"]["inspection_id"])
    flags = desk.tables["flags"]
    rows += [
        ("", "", str(row["key"]), str(row["what"]), "confirm")
        for row in records_in(flags[flags["step"].isin(["inputs", "locate"])])
        if str(row["key"]).partition("#")[0] in known
    ]
    columns = (
        Column("File", 1.3), Column("Row", 0.5, figure=True), Column("About", 1.4),
        Column("Found", 4.0), Column("Wanted", 2.6),
    )  # fmt: skip
    return Paper(
        "survey_queries", "Queries on the inspections", "survey contractor",
        "Please put these rows right or tell what is meant; what is not settled stays undecided "
        "and is taken for no repair.",
        columns, rows, "No row of the inspections was refused or doubted.",
        fields=("answered by", "on"),
    )  # fmt: skip


def _row(row: object) -> str:
    return "" if pd.isna(row) or not int(str(row)) else str(int(str(row)))  # type: ignore[call-overload]


def dig_requests(desk: Desk) -> Paper:
    """Ask the owner to approve each dig in writing: where, how deep, why, what it costs."""
    choices = desk.tables["choices"]
    spans = desk.tables["verdicts"].merge(
        desk.tables["spans"][["span_id", "from_m", "to_m", "mechanisms"]], on="span_id"
    )
    rows = []
    for choice in records_in(choices[choices["method"].isin(_DUG)].sort_values("pipe_id")):
        pipe = str(choice["pipe_id"])
        own = spans[(spans["pipe_id"] == pipe) & (spans["needs"] == "mend")]
        places = [
            f"{desk.metres(row['from_m'])} to {desk.metres(row['to_m'])}: "
            f"{row['mechanisms'].replace('_', ' ').replace('+', ', ')}"
            for row in records_in(own.sort_values("from_m"))
        ]
        depth = desk.pipes.get(pipe, {}).get("depth_m")
        deep = "not known" if depth is None or pd.isna(depth) else desk.metres(depth)
        rows.append(
            (pipe, desk.street_of(pipe), desk.ends_of(pipe), f"{desk.dn(pipe)}, {deep} deep",
             "; ".join(places), WAY_WORDS[str(choice["method"])], str(choice["state"]),
             desk.money(choice["cost_cents"]))
        )  # fmt: skip
    columns = (
        Column("Pipe", 0.8), Column("Street", 1.6), Column("Manholes", 1.3),
        Column("Size, depth", 1.4),
        Column("From the upstream manhole: damage", 3.6), Column("Way", 1.0), Column("State", 0.9),
        Column(f"Cost, {desk.currency}", 1.1, figure=True),
    )  # fmt: skip
    return Paper(
        "dig_requests", "Digs to be approved", "owner, who approves digs in writing",
        "Please approve or refuse each dig. None is begun without a signature.",
        columns, rows, "No dig is asked for.",
        notes=(LOOK_AFTER,),
        cautions=(
            "Find buried services and have them marked before any ground is broken.",
            "Trenches are shored or sloped as local codes ask; nobody enters an unshored trench.",
        ),
        fields=("approved by", "on", "conditions", "signature"),
    )  # fmt: skip


def design_basis(desk: Desk) -> Paper:
    """List what each accepted sleeve's wall was checked on; an engineer signs it."""
    checks, figures = desk.tables["wall_checks"], desk.tables["wall_figures"]
    signed = desk.tables["choices"].query("state in @SIGNED", local_dict={"SIGNED": list(SIGNED)})
    pairs = desk.tables["choice_sleeves"]
    own = set(pairs.loc[pairs["pipe_id"].isin(signed["pipe_id"]), "sleeve_id"])
    by_sleeve: dict[str, list[str]] = {}
    for row in records_in(
        figures[figures["figure"].isin(_FIGURES)].sort_values(["sleeve_id", "seq"])
    ):
        low, high = float(row["low"]), float(row["high"])
        value = f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"
        known = f"{value} {row['unit']}" if np.isfinite([low, high]).all() else "not known"
        text = f"{row['symbol'] or row['figure']} {known}"
        by_sleeve.setdefault(str(row["sleeve_id"]), []).append(text)
    rows = [
        (str(row["sleeve_id"]), str(row["pipe_id"]), str(row["condition"]),
         ", ".join(by_sleeve.get(str(row["sleeve_id"]), [])),
         _mm(row["wall_mm"]), _mm(row["asked_high_mm"]), str(row["governing"]), str(row["state"]))
        for row in records_in(checks[checks["sleeve_id"].isin(own)].sort_values("sleeve_id"))
    ]  # fmt: skip
    columns = (
        Column("Sleeve", 1.0), Column("Pipe", 0.8), Column("Taken as", 0.9), Column("Figures", 4.0),
        Column("Wall, mm", 0.8, figure=True), Column("Asked, mm", 0.8, figure=True),
        Column("By", 1.6), Column("Held", 0.8),
    )  # fmt: skip
    return Paper(
        "design_basis", "Design basis of the walls", "engineer who signs the walls",
        "Please check each figure with its origin (`sleeveplan explain PIPE`) and sign.",
        columns, rows, "No sleeve is accepted.",
        cautions=(
            "A check after ASTM F1216 Appendix X1, to be signed by a licensed engineer: it "
            "reckons a ring of endless length in a circular pipe; the ends of a short sleeve, "
            "their sealing and their bond are not covered.",
        ),
        fields=("checked by", "licence no.", "on", "signature"),
    )  # fmt: skip


def _mm(value: object) -> str:
    return "not known" if pd.isna(value) else f"{float(str(value)):.2f}"  # type: ignore[call-overload]


def repair_list(desk: Desk) -> Paper:
    """List each pipe with its way, state and cost beside the other ways."""
    options = {
        (str(row["pipe_id"]), str(row["method"])): row for row in records_in(desk.tables["options"])
    }
    rows = []
    for choice in records_in(desk.tables["choices"].sort_values("pipe_id")):
        pipe, method = str(choice["pipe_id"]), str(choice["method"])
        costs = [_cost(desk, options.get((pipe, way))) for way in ("sleeve", "liner", "dig")]
        rows.append(
            (pipe, desk.street_of(pipe), desk.dn(pipe), WAY_WORDS.get(method, method),
             str(choice["state"]), str(choice["urgency"]).replace("_", " "), *costs,
             str(choice["reason"]))
        )  # fmt: skip
    columns = (
        Column("Pipe", 0.8), Column("Street", 1.6), Column("Size", 0.8), Column("Way", 1.2),
        Column("State", 0.9), Column("Urgency", 1.1), Column("Sleeves", 1.0, figure=True),
        Column("Full liner", 1.0, figure=True), Column("Dig", 1.0, figure=True), Column("Why", 2.6),
    )  # fmt: skip
    return Paper(
        "repair_list", "Repairs, with what each way would cost", "owner",
        f"For approval. Amounts in {desk.currency}; a blank is a way that is closed or has "
        "no price.",
        columns, rows, "No pipe has anything to do.", notes=(LOOK_AFTER,),
        fields=("approved by", "on"),
    )  # fmt: skip


def _cost(desk: Desk, option: dict[str, Any] | None) -> str:
    if option is None or pd.isna(option["cost_cents"]):
        return ""
    return desk.money(option["cost_cents"])
