"""Audit of works: accepted, in their order, by a crew with the steps, the packer and the reach."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pandas as pd

from planner.contracts.repairs import SIGNED
from planner.crews.audit_hours import working_days
from planner.crews.audit_rows import Book, Broken, Row, moment
from planner.ground.process import durations, pot_life
from planner.ground.temperatures import Temperatures, temperatures

_NOISE_M = 1e-3
# What is done with both manholes open.
_BOTH = {"flow_control", "sleeve", "liner", "reopen", "verify"}


def works_broken(book: Book) -> Iterator[Broken]:
    """Give every rule of works, skills and access that the week breaks.

    Parameters
    ----------
    book
        The week.
    """
    choices = book.tables["choices"]
    state = dict(zip(choices["pipe_id"], choices["state"], strict=True))
    links = book.tables["choice_sleeves"][["pipe_id", "sleeve_id"]]
    chosen = {(str(pipe), str(one)) for pipe, one in links.itertuples(index=False)}
    agreed = _agreed(book)
    stated = temperatures(book.tables.get("conditions"), book.week.stated_wall_c)
    for visit in book.visits:
        if book.past(visit):
            continue
        works = book.works_at(visit)
        yield from _there(book, visit, works)
        for work in works:
            if (work["pipe_id"], work["step"]) in agreed:
                continue
            yield from _accepted(visit, work, state, chosen)
        yield from _order(book, visit)
        yield from _together(book, visit, works)
        yield from _crew(book, visit, works)
        yield from _access(book, visit, works)
        yield from _time(book, visit, stated)


def _there(book: Book, visit: Row, works: list[Row]) -> Iterator[Broken]:
    key = visit["visit_id"]
    if not works:
        yield key, "works", "no work to do", "at least one"
    for work_id in book.setup_works.get(visit["setup_id"], []):
        if work_id not in book.works:
            yield key, "works", f"{work_id} is not there", "a work"
    pipe_id = book.setups.get(visit["setup_id"], {}).get("pipe_id")
    for work in works:
        if work["pipe_id"] != pipe_id:
            yield key, "works", f"{work['work_id']} is on {work['pipe_id']}", f"on {pipe_id}"
        if work["state"] == "done":
            yield key, "works", f"{work['work_id']} is done already", "to do"
        if work["held"] or work["not_before"] > visit["date"]:
            off = work["held"] or f"put off until {work['not_before']}"
            yield key, "works", f"{work['work_id']}: {off}", "a work that is not put off"
        if work["step"] == "sleeve" and work["sleeve_id"] not in book.sleeves:
            yield key, "works", f"sleeve '{work['sleeve_id']}' is not there", "a sleeve"


def _agreed(book: Book) -> set[tuple[str, str]]:
    """Give pipe and step of works that a person agreed to after a failure."""
    if "proposed_works" not in book.tables:
        return set()
    rows = book.tables["proposed_works"]
    rows = rows[rows["state"] == "agreed"]
    return {
        (str(pipe), str(step)) for pipe, step in zip(rows["pipe_id"], rows["step"], strict=True)
    }


def _accepted(
    visit: Row, work: Row, state: dict[str, str], chosen: set[tuple[str, str]]
) -> Iterator[Broken]:
    key, pipe_id = visit["visit_id"], work["pipe_id"]
    if state.get(pipe_id) not in SIGNED:
        found = f"{work['work_id']}: choice of {pipe_id} is {state.get(pipe_id, 'not there')}"
        yield key, "accepted", found, "accepted"
    if work["sleeve_id"] and (pipe_id, work["sleeve_id"]) not in chosen:
        found = f"{work['work_id']}: {work['sleeve_id']} is not chosen on {pipe_id}"
        yield key, "accepted", found, "a sleeve of the accepted choice"


def _order(book: Book, visit: Row) -> Iterator[Broken]:
    """Each work before is done, comes earlier in this visit, or in a visit that ends before it.

    What a check of access, a look or the proving of laterals says is not known beforehand,
    and a cleaning holds for so many working days.
    """
    earlier: set[str] = set()
    for work_id in book.setup_works.get(visit["setup_id"], []):
        for after_id in book.before.get(work_id, []):
            first = book.works.get(after_id, {})
            if first.get("state") == "done":
                continue
            in_visit = after_id in earlier and first.get("step") != "check_access"
            if in_visit or _came_before(book, visit, after_id, first):
                continue
            found = f"{work_id} before {first.get('step', 'work')} {after_id}"
            yield visit["visit_id"], "before", found, "after it"
        earlier.add(work_id)


def _came_before(book: Book, visit: Row, after_id: str, first: Row) -> bool:
    """Say whether a visit that ends before this one does the work, and it is still good."""
    if first.get("step") in ("check_access", "look", "prove_laterals"):
        return False
    for other in book.visits:
        if after_id not in book.setup_works.get(other["setup_id"], []):
            continue
        if moment(other, "end_s") > moment(visit, "start_s"):
            return False
        cleaning = first.get("step") in ("clean", "clean_again")
        days = working_days(book, other["date"], visit["date"])
        return not cleaning or days <= book.week.done_valid_days
    return False


def _together(book: Book, visit: Row, works: list[Row]) -> Iterator[Broken]:
    """Find a sleeve without its flow control or its reopening in the same visit."""
    here = {work["work_id"] for work in works}
    sets = {work["sleeve_id"] for work in works if work["step"] == "sleeve"}
    for work in book.works.values():
        if (
            work["sleeve_id"] in sets
            and work["step"] in ("flow_control", "reopen")
            and work["state"] == "todo"
            and work["work_id"] not in here
        ):
            found = f"{work['step']} {work['work_id']} is not in the visit of {work['sleeve_id']}"
            yield visit["visit_id"], "together", found, "in the same visit"


def _crew(book: Book, visit: Row, works: list[Row]) -> Iterator[Broken]:
    key, crew = visit["visit_id"], book.crews.get(visit["crew"])
    if crew is None:
        yield key, "crew", f"{visit['crew']} is not there", "a crew"
        return
    does = str(crew["steps"]).split("+")
    for step in sorted({work["step"] for work in works} - set(does)):
        yield key, "steps", f"{visit['crew']} does not do {step}", f"one of {', '.join(does)}"
    yield from _tickets(book, visit, {work["step"] for work in works}, crew)
    both = {work["step"] for work in works} & {"flow_control", "sleeve", "reopen", "verify"}
    persons = crew.get("persons_count")
    asked = book.week.persons_both_count
    if both and persons is not None and not pd.isna(persons) and persons < asked:
        yield key, "persons", f"{persons} in {visit['crew']}", f"{asked} where both ends are open"
    sleeves = book.sleeves_at(visit)
    for system in sorted({one["system"] for one in sleeves}):
        if system not in str(crew["systems"]).split("+"):
            own = str(crew["systems"]) or "a crew that sets sleeves"
            yield key, "system", f"{visit['crew']} is not set up for {system}", own
    names = [name for name in str(crew["packers"]).split("+") if name in book.packers]
    for sleeve in sleeves:
        faults = [_packer(book, book.packers[name], sleeve, visit) for name in names]
        if all(faults):
            why = "; ".join(faults) or "no packer on the van"
            yield key, "packer", f"{sleeve['sleeve_id']}: {why}", "a packer of the van that fits"


def _tickets(book: Book, visit: Row, steps: set[str], crew: Row) -> Iterator[Broken]:
    """Find a ticket that a step asks, or the street over an open manhole, and the crew lacks."""
    setup = book.setups.get(visit["setup_id"], {})
    ends = ["node_id", *(["other_node_id"] if steps & _BOTH else [])]
    kinds = {book.nodes.get(setup.get(end, ""), {}).get("street_class", "") for end in ends}
    asked = {one for step in steps for one in book.week.step_tickets.get(step, [])}
    asked |= {one for kind in kinds for one in book.week.class_tickets.get(kind, [])}
    for ticket in sorted(asked - set(str(crew.get("tickets", "")).split("+"))):
        yield visit["visit_id"], "ticket", f"{visit['crew']} holds no {ticket}", "a crew with it"


def _packer(book: Book, packer: Row, sleeve: Row, visit: Row) -> str:
    """Say why a packer does not serve a sleeve from where the crew stands; '' if it does."""
    setup = book.setups.get(visit["setup_id"], {})
    node = book.nodes.get(setup.get("node_id", ""), {})
    pipe = book.pipes.get(sleeve["pipe_id"], {})
    reach = sleeve["to_m"]
    if setup.get("node_id") == pipe.get("ds_node"):
        reach = pipe.get("length_m", float("nan")) - sleeve["from_m"]
    cure = book.cures.get(sleeve["system"])
    faults = {
        "size": not packer["dn_from_mm"] <= sleeve["dn_mm"] <= packer["dn_to_mm"],
        "length": sleeve["length_m"] > _carries_m(packer, cure) + _NOISE_M,
        "reach": not reach <= packer["reach_m"] + _NOISE_M,
        "cure": cure not in str(packer["cures"]).split("+"),
        "lid": node.get("lid_mm", float("nan")) < packer["lid_mm"],
        "depth": node.get("depth_m", float("nan")) > packer["depth_m"],
    }
    wrong = ", ".join(name for name, bad in faults.items() if bad)
    return f"{packer['packer']} {wrong}" if wrong else ""


def _carries_m(packer: Row, cure: str | None) -> float:
    """Give the longest sleeve it carries [m]; by light no longer than what it lights."""
    lit = float(packer.get("lit_m", math.nan)) if cure == "light" else math.nan
    return float(packer["usable_m"]) if math.isnan(lit) else min(packer["usable_m"], lit)


def _access(book: Book, visit: Row, works: list[Row]) -> Iterator[Broken]:
    key, setup = visit["visit_id"], book.setups.get(visit["setup_id"], {})
    node_id, pipe_id = setup.get("node_id", ""), setup.get("pipe_id", "")
    pipe, node = book.pipes.get(pipe_id, {}), book.nodes.get(node_id, {})
    if node_id not in (pipe.get("us_node"), pipe.get("ds_node")) or not node:
        yield key, "node", f"stands at '{node_id}'", f"an end of {pipe_id}"
    if book.sleeves_at(visit) and not pd.isna(node.get("turn_ok")) and not node["turn_ok"]:
        yield key, "turn", f"no packer turns at {node_id}", "a manhole where it turns"
    checked = any(
        work["step"] == "check_access" and work["state"] == "done"
        for work in book.works.values()
        if work["pipe_id"] == pipe_id
    )
    checking = {work["step"] for work in works} == {"check_access"}
    if node.get("access") not in ("open", "key") and not checked and not checking:
        yield key, "access", f"{node_id} is {node.get('access', 'not there')}", "access checked"


def _time(book: Book, visit: Row, stated: Temperatures) -> Iterator[Broken]:
    """Being on site is no shorter than the sleeves' own table asks; each batch keeps so long."""
    least, process = 0, book.tables["process"]
    sets = book.crews.get(visit["crew"], {}).get("packer_sets_count")
    second = sets is not None and not pd.isna(sets) and sets >= 2
    for sleeve in book.sleeves_at(visit):
        kind = (sleeve["system"], sleeve["dn_mm"])
        times = durations(process, *kind, stated.cold_c, sleeve["length_m"])
        refusal = pot_life(process, *kind, stated.warm_c).refusal(times.batch_s)
        if refusal:
            found = f"{sleeve['sleeve_id']}: {refusal}"
            yield visit["visit_id"], "pot life", found, "a batch set within its pot life"
        if times.site_s is None:
            found = f"no time of cure for {sleeve['sleeve_id']}"
            yield visit["visit_id"], "cure", found, "a row of the process table"
            continue
        # A second packer is made ready above ground while the first cures.
        ready = least and second and times.batch_s is not None
        least += times.batch_s + (times.shut_s or 0) if ready and times.batch_s else times.site_s
    stay = int(visit["end_s"]) - int(visit["start_s"])
    if stay < least:
        yield visit["visit_id"], "cure", f"{stay} s on site", f"{least} s for its sleeves"
