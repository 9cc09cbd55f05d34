"""What one stop of a run sheet says: manholes, what came before, sleeves or other work."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

from planner.contracts.repairs import STEPS
from planner.outputs.counter import Counter
from planner.outputs.drawings import strip_of
from planner.outputs.page_room import fits_on_a_page
from planner.outputs.sheet_tables import Row, SheetTables
from planner.outputs.sleeve_block import sleeve_block
from planner.outputs.step_blocks import CLEANS, manhole_words, step_blocks
from planner.outputs.wording import (
    CHECK_WORDS,
    STEP_WORDS,
    WEEKDAYS,
    clock,
    flow_rate,
    hours,
    metres,
    size,
    small,
    way,
)


@dataclass(frozen=True)
class Stop:
    """Content of one stop, and the steps and cures that decide which cautions are printed."""

    content: dict[str, Any]
    steps: tuple[str, ...]
    cures: tuple[str, ...]


def stop_of(visit: Row, look_up: SheetTables) -> Stop:
    """Say what one visit is about.

    Parameters
    ----------
    visit : dict
        One row of `VISITS`.
    look_up : SheetTables
        The tables of the run by id.
    """
    setup = look_up.setups[visit["setup_id"]]
    pipe = look_up.pipes[setup["pipe_id"]]
    works = [look_up.works[r["work_id"]] for r in look_up.setup_works.get(visit["setup_id"], [])]
    ids = [str(w["sleeve_id"]) for w in works if w["step"] == "sleeve" and w["sleeve_id"]]
    sleeves = [look_up.sleeves[one] for one in ids]
    units = look_up.units
    node, other = (look_up.nodes.get(setup[k], {}) for k in ("node_id", "other_node_id"))
    counter = Counter.of(str(setup["counter_node"]), pipe, units)
    steps = tuple(str(work["step"]) for work in works)
    content: dict[str, Any] = {
        "number": f"{visit['seq']}.",
        "start": clock(visit["start_s"]),
        "end": clock(visit["end_s"]),
        "title": visit_title(steps, len(sleeves)),
        "street": str(node.get("street") or "street not known"),
        "drive": f"{hours(visit['drive_s'])}, {way(float(visit['drive_m']), units)}",
        "stand": setup["node_id"],
        "stand_words": manhole_words(node, units),
        "other": setup["other_node_id"] or "not known",
        "other_words": manhole_words(other, units) if other else "",
        "pipe": pipe["pipe_id"],
        "size": size(pipe["dn_mm"], units),
        "material": str(pipe["material"]) or "material not known",
        "length": metres(pipe["length_m"], units),
        "counter_node": counter.node,
        "looks": counter.looks,
        "before": _before(works, counter, look_up),
        "sleeves": [sleeve_block(one, visit, setup, look_up) for one in sleeves],
        "blocks": [] if sleeves else step_blocks(set(steps), setup, counter, look_up),
        "works": [_work(work, counter, pipe) for work in works],
        "notes": [
            *_notes(node, setup),
            *dict.fromkeys(_flow(look_up.flows[one], units) for one in ids if one in look_up.flows),
            *look_up.warnings.get(visit["visit_id"], []),
        ],
        "strip": strip_of(pipe, sleeves, counter, look_up) if _in_pipe(works) else "",
        "spent": bool(sleeves),
    }
    content["whole"] = not sleeves and fits_on_a_page(content)
    cures = tuple(sorted({look_up.cures.get(str(s["system"]), "") for s in sleeves}))
    return Stop(content, steps, cures)


def visit_title(steps: tuple[str, ...], sleeves_count: int) -> str:
    """Name the kind of a visit in a few words."""
    if sleeves_count:
        return "set 1 sleeve" if sleeves_count == 1 else f"set {sleeves_count} sleeves"
    kinds = []
    if "check_access" in steps:
        kinds.append("check access")
    if set(steps) & set(CLEANS):
        kinds.append("clean and cut" if set(steps) & {*CLEANS[2:]} else "clean")
    named = {"look": "film", "prove_laterals": "prove connections", "grout": "grout"}
    kinds += [words for step, words in named.items() if step in steps]
    rest = [s for s in steps if s not in (*CLEANS, *named, "check_access")]
    kinds += [STEP_WORDS.get(step, step) for step in dict.fromkeys(rest)]
    return ", ".join(kinds)


def _in_pipe(works: list[Row]) -> bool:
    return any(work["step"] != "check_access" for work in works)


def _work(work: Row, counter: Counter, pipe: Row) -> dict[str, str]:
    return {"words": _work_words(work, counter, pipe), "id": str(work["work_id"])}


def _work_words(work: Row, counter: Counter, pipe: Row) -> str:
    words = STEP_WORDS.get(str(work["step"]), str(work["step"]))
    if work["step"] == "check_access":
        return words
    if float(work["from_m"]) <= 0.01 and float(work["to_m"]) >= float(pipe["length_m"]) - 0.01:
        return f"{words}, whole pipe"
    stretch = counter.stretch(float(work["from_m"]), float(work["to_m"]))
    return f"{words}, counter from {counter.node}: {stretch}"


def _before(works: list[Row], counter: Counter, look_up: SheetTables) -> list[dict[str, str]]:
    """List what must be done before, in the order of the trade: what, by whom, what to check."""
    here = {str(work["work_id"]) for work in works}
    seen: set[str] = set()
    todo = sorted(here)
    while todo:
        for earlier in look_up.after.get(todo.pop(), []):
            if earlier not in seen | here:
                seen.add(earlier)
                todo.append(earlier)
    rows = [look_up.works[one] for one in seen if one in look_up.works]
    rows.sort(key=lambda row: (STEPS.index(row["step"]), float(row["from_m"]), row["work_id"]))
    return [
        {
            "words": STEP_WORDS.get(str(row["step"]), str(row["step"])),
            "state": _state(row, look_up),
            "found": _found(row, counter, look_up),
            "check": CHECK_WORDS.get(str(row["step"]), ""),
        }
        for row in rows
    ]


def _state(work: Row, look_up: SheetTables) -> str:
    """Say whether an earlier work is done, and where not, who is to do it when."""
    if work["state"] == "done":
        rows = _done_rows(work, look_up)
        said = [f"done {row['done_on']} by {row['by']}" for row in rows]
        # Without a row of the form the network's own list says so; the reason ends with it.
        return "; ".join(said) or str(work["reason"]).partition("; ")[2] or "done"
    visit = look_up.planned.get(str(work["work_id"]))
    if visit is None:
        return "NOT DONE and not planned: ask before starting"
    day = WEEKDAYS[date.fromisoformat(str(visit["date"])).weekday()]
    return f"planned {day} {visit['date']}, until {clock(visit['end_s'])}, {visit['crew']}: ask"


def _done_rows(work: Row, look_up: SheetTables) -> list[Row]:
    ids = str(work["done_by"]).split("+")
    return [look_up.done[one] for one in ids if one in look_up.done]


def _found(work: Row, counter: Counter, look_up: SheetTables) -> str:
    """Give what an earlier look measured."""
    said = []
    for row in _done_rows(work, look_up):
        if math.isfinite(row["inside_mm"]):
            said.append(f"inside {small(row['inside_mm'], counter.units)}")
        for name, words in (("find", "damage found"), ("laterals_known", "connections proved")):
            if math.isfinite(row[f"{name}_from_m"]):
                place = counter.stretch(row[f"{name}_from_m"], row[f"{name}_to_m"])
                said.append(f"{words} at counter {place}")
    return "; ".join(dict.fromkeys(said))


def _notes(node: Row, setup: Row) -> list[str]:
    notes = []
    access = str(node.get("access", "unknown"))
    if access not in ("open", "unknown"):
        notes.append(f"Access at {setup['node_id']}: {access}")
    if setup["counter_node"] != setup["node_id"]:
        notes.append(
            f"Distances count from {setup['counter_node']}, the packer goes in at "
            f"{setup['node_id']}"
        )
    doubts = str(setup["doubts"])
    return [*notes, *(["Not known: " + doubts] if doubts else [])]


def _flow(row: Row, units: str) -> str:
    """Say how the flow at a sleeve could be controlled; the whole reckoning is in explain."""
    what = f"Flow at {row['sleeve_id']}"
    if row["state"] != "reckoned":
        return f"Flow {row['state']}"
    deep = f"up to {row['depth_pct_high']:.0f} % deep"
    words = {"through_flow": "packer with through-flow"}.get(row["control"], row["control"])
    held = row["hold_back_s"]
    holds = f", holds {hours(held)}" if row["control"] == "plug" else ""
    most = flow_rate(row["peak_l_s_high"], units)
    return f"{what} up to {most}, {deep} in dry weather: {words}{holds} ({row['standing']})"
