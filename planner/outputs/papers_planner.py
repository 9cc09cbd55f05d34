"""The planner's papers: notices, permits and traffic, loads of vans, the inspector's notice."""

from __future__ import annotations

from collections import defaultdict

import pandas as pd

from planner.outputs.handover import Column, Paper
from planner.outputs.paper_words import Desk, day_words, days_before, steps_words
from planner.outputs.wording import area, item_words, mass, metres, volume
from planner.tables import records_in

# An inspector is told two days before; written notice to residents the day before at least
# (trade.md B 4: Ramsey, Stark County).
INSPECTOR_DAYS = 2


def residents(desk: Desk, notice_days: int) -> Paper:
    """List whom to tell that the connection is shut, when, and by when to send it."""
    addresses = desk.tables.get("addresses", pd.DataFrame(columns=["address_id", "pipe_id"]))
    houses: dict[str, list[str]] = defaultdict(list)
    if {"address_id", "pipe_id"} <= set(addresses.columns):
        for row in records_in(pd.DataFrame(addresses)):
            if row["pipe_id"]:
                houses[str(row["pipe_id"])].append(_address(row))
    sent = {
        (str(row["pipe_id"]), str(row["for_date"])): str(row["sent_on"])
        for row in records_in(desk.tables["notices"])
        if row["sent_on"]
    }
    rows = []
    for stop in desk.stops:
        if not int(stop["sleeves_count"]):
            continue
        pipe, day = str(stop["pipe_id"]), str(stop["date"])
        state = f"sent {sent[pipe, day]}" if (pipe, day) in sent else ""
        told = sorted(houses.get(pipe, [])) or [
            "every house joined to this pipe: no addresses known"
        ]
        rows.append(
            (desk.street_of(pipe), "; ".join(told), day_words(day), desk.time_of(stop),
             day_words(days_before(day, notice_days)), state)
        )  # fmt: skip
    columns = (
        Column("Street", 1.3), Column("To tell", 3.6), Column("Day", 1.3), Column("Hours", 1.0),
        Column("Send by", 1.3), Column("State", 0.9),
    )  # fmt: skip
    return Paper(
        "residents", "Notices to residents", "whoever delivers notices; residents",
        "Your connection to the sewer is shut for some hours: please run no water, flush nothing, "
        "and keep sinks and basement drains closed until we tell you that it is open again.",
        columns, rows, "No sleeve is planned, so nobody is told.",
        notes=(
            "A notice that is sent binds its pipe to its day: note it in notices.csv.",
            "(nearest pipe): the file names no pipe for the house; check before it is told.",
            f"Sent at least {notice_days} working days before ([week] notice_days).",
        ),
        fields=("telephone for residents", "delivered by", "on"),
    )  # fmt: skip


def _address(row: dict[str, object]) -> str:
    parts = [str(row.get(name, "") or "") for name in ("street", "house")]
    named = " ".join(part for part in parts if part) or str(row["address_id"])
    return named if row.get("pipe_from") == "named" else f"{named} (nearest pipe)"


def streets_and_permits(desk: Desk) -> Paper:
    """List for the road authority which streets are worked in, when, and at which manholes."""
    permits = records_in(desk.tables["permits"])
    rows = []
    for stop in desk.stops:
        node, day = str(stop["node_id"]), str(stop["date"])
        street, kind = desk.streets.get(node, ("", ""))
        held = [
            str(one["state"]) + (f" no. {one['number']}" if one["number"] else "")
            for one in permits
            if one["from_date"] <= day <= one["to_date"] and (one["node_id"] == node or
                                                               (street and one["street"] == street))
        ]  # fmt: skip
        nodes = [node, str(stop["other_node_id"])] if int(stop["sleeves_count"]) else [node]
        rows.append(
            (day_words(day), desk.time_of(stop), street or "not known", kind, " and ".join(
                one for one in nodes if one), steps_words(str(stop["steps"])), str(stop["crew"]),
             "; ".join(held))
        )  # fmt: skip
    columns = (
        Column("Day", 1.3), Column("Hours", 1.1), Column("Street", 1.5), Column("Class", 1.0),
        Column("Manholes", 1.2), Column("Work", 3.0), Column("Crew", 0.9), Column("Permit", 1.1),
    )  # fmt: skip
    return Paper(
        "streets", "Streets, hours and permits", "road authority, traffic team",
        "Please grant or confirm the use of these streets. Both manholes of a sleeve are open.",
        columns, rows, "Nothing is planned in any street.",
        cautions=("Signs and barriers follow the road authority's plan.",),
        fields=("granted by", "on", "conditions", "permit no."),
    )  # fmt: skip


def loads(desk: Desk) -> Paper:
    """List what each van carries on each day, with lots and what to bring back."""
    units = desk.facts.units
    rows = [
        (str(row["crew"]), day_words(str(row["date"])), item_words(str(row["item"]), units),
         _amount(int(row["amount"]), str(row["unit"]), units), str(row["lot"]) or "none",
         str(row["use_by"]), str(row["note"]), "")
        for row in records_in(desk.tables["picks"])
    ]  # fmt: skip
    sums = desk.tables["quantity_sums"]
    beside = sums[(sums["level"] == "route") & (sums["kind"] == "material")]
    for row in records_in(beside.sort_values(["key", "item"])):
        crew, day = str(row["key"]).rsplit("|", 1)
        amount = _amount(int(row["net"]), str(row["unit"]), units)
        rows.append((crew, day_words(day), str(row["item"]), amount, "", "", "net", ""))
    rows.sort(key=lambda row: (row[0], row[1].rpartition(" ")[2]))
    columns = (
        Column("Van", 1.0), Column("Day", 1.3), Column("Item", 2.8),
        Column("Amount", 1.0, figure=True),
        Column("Lot", 1.0), Column("Use by", 1.0), Column("Look out", 2.0), Column("Back", 0.8),
    )  # fmt: skip
    return Paper(
        "loads", "Loads of the vans", "store, crews",
        "Please load by lot as listed; what comes back, and what was spoilt, goes into the report.",
        columns, rows, "No van carries a sleeve.",
        cautions=(
            "Resin and light-cured material are kept as their makers say, away from heat, light.",
        ),
    )  # fmt: skip


def _amount(value: int, unit: str, units: str) -> str:
    if unit == "g":
        return mass(value, units)
    if unit == "mm2":
        return area(value, units)
    if unit == "ml":
        return volume(value, units)
    return metres(value / 1000, units) if unit == "mm" else str(value)


def inspector(desk: Desk) -> Paper:
    """Tell the inspector when and where each sleeve is set."""
    rows = []
    for stop in desk.stops:
        for work in desk.works_of(str(stop["setup_id"]), "sleeve"):
            day = str(stop["date"])
            place = f"{desk.metres(work['from_m'])} to {desk.metres(work['to_m'])}"
            rows.append(
                (day_words(day), desk.time_of(stop), str(stop["crew"]), str(stop["pipe_id"]),
                 desk.street_of(str(stop["pipe_id"])), str(stop["node_id"]), place,
                 day_words(days_before(day, INSPECTOR_DAYS)))
            )  # fmt: skip
    columns = (
        Column("Day", 1.3), Column("Hours", 1.1), Column("Crew", 0.9), Column("Pipe", 0.8),
        Column("Street", 1.5), Column("Crew stands at", 1.0),
        Column("From the upstream manhole", 1.5),
        Column("Told by", 1.3),
    )  # fmt: skip
    return Paper(
        "inspector", "Notice of sleeves to be set", "inspector",
        "You may be there when these sleeves are set. Hours are those on site, cure included.",
        columns, rows, "No sleeve is planned.",
        notes=(f"Told {INSPECTOR_DAYS} working days before: 48 h are common in specifications.",),
    )  # fmt: skip
