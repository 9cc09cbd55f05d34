"""What each visit takes, as lines of whole numbers: of its sleeves, and of its other works."""

from __future__ import annotations

import pandas as pd

from planner.contracts.facts import Tables
from planner.ground.materials import materials_of
from planner.ground.quantities import items_of

# Metres of the stretch on which a step is done; a step that no line names has no quantity.
_LENGTHS = {
    "clean": "cleaning",
    "clean_again": "cleaning",
    "descale": "descaling",
    "cut_roots": "root cutting",
    "look": "camera",
    "verify": "camera",
    "resurvey": "camera",
    "prove_laterals": "camera, laterals proved",
    "liner": "liner",
    "dig": "dig",
}
_PIECES = {
    "check_access": "access checked",
    "cut_intrusion": "intrusion cut",
    "grout": "place grouted",
    "cut_out": "sleeve cut out",
}
_CONTROLS = {
    "through_flow": "day of a through-flow packer",
    "plug": "day of a plug",
    "bypass": "day of a bypass",
}
LINE = ["item", "kind", "unit", "net"]


def sleeve_lines(tables: Tables) -> pd.DataFrame:
    """Give sleeve_id, item, kind, unit, net of every sleeve.

    Parameters
    ----------
    tables
        Of it: sleeves, systems, system_sizes, materials, parts.

    Returns
    -------
    lines
        Obeys `ITEMS`: piece, length and resin of each sleeve, what it is wound from and
        mixed of, and its sealed ends.
    """
    sleeves = tables["sleeves"]
    sealed = sleeves["end"].map({"us_manhole": 1, "ds_manhole": 1, "both": 2})
    ends = sleeves.assign(net=sealed).dropna(subset="net")[["sleeve_id", "net"]]
    parts = [
        items_of(sleeves, tables["system_sizes"]),
        materials_of(tables),
        ends.assign(item="end sealed at a manhole", kind="work", unit="pieces"),
    ]
    lines = pd.concat(parts, ignore_index=True)
    return lines.astype({"net": "int64"})


def work_lines(works: pd.DataFrame, sleeves: pd.DataFrame) -> pd.DataFrame:
    """Give work_id, item, kind, unit, net of every work that is no sleeve.

    Parameters
    ----------
    works
        Obeys `WORKS`.
    sleeves
        Obeys `SLEEVES`; a reopening counts the laterals of its sleeve.

    Returns
    -------
    lines
        Metres in mm, pieces.
    """
    metres = works[works["step"].isin(list(_LENGTHS))]
    length_mm = ((metres["to_m"] - metres["from_m"]) * 1000.0).round().astype("int64")
    pieces = works[works["step"].isin(list(_PIECES))]
    opened = works[works["step"] == "reopen"]
    laterals = sleeves.set_index("sleeve_id")["laterals_count"]
    # A reopening beneath a liner names no sleeve and stands for itself.
    count = opened["sleeve_id"].map(laterals).fillna(1).astype("int64")
    parts = [
        metres.assign(item=metres["step"].map(_LENGTHS), unit="mm", net=length_mm),
        pieces.assign(item=pieces["step"].map(_PIECES), unit="pieces", net=1),
        opened.assign(item="lateral reopened", unit="pieces", net=count),
    ]
    lines = pd.concat(parts, ignore_index=True).assign(kind="work")
    return lines.loc[lines["net"] > 0, ["work_id", *LINE]].reset_index(drop=True)


def day_lines(tables: Tables, traffic_classes: tuple[str, ...]) -> pd.DataFrame:
    """Give visit_id, item, kind, unit, net of days of flow control and of traffic.

    A day of a bypass, plug or through-flow packer counts on the first visit of its pipe
    that day, a day of traffic on the first visit of its street: sums are sums of days.

    Parameters
    ----------
    tables
        Of it: visits, setups, setup_works, works, flows, nodes.
    traffic_classes
        Classes of street whose set-ups take traffic control.
    """
    visits = tables["visits"].sort_values(["date", "start_s", "visit_id"], kind="stable")
    setups = tables["setups"][["setup_id", "pipe_id", "node_id"]]
    places = tables["nodes"][["node_id", "street", "street_class"]]
    held = visits.merge(setups, on="setup_id").merge(places, on="node_id", how="left")
    works = tables["works"].query("step == 'sleeve'")[["work_id", "sleeve_id"]]
    control = tables["flows"][["sleeve_id", "control"]]
    own = tables["setup_works"][["setup_id", "work_id"]].merge(works, on="work_id")
    own = own.merge(control, on="sleeve_id")
    own = own[own["control"] != "none"]
    flows = held.merge(own[["setup_id", "control"]], on="setup_id")
    flows = flows.drop_duplicates(["date", "pipe_id", "control"])
    busy = held[held["street_class"].isin(traffic_classes)]
    busy = busy.drop_duplicates(["date", "street", "street_class"])
    lines = [
        flows.assign(item=flows["control"].map(_CONTROLS), unit="pieces", net=1),
        busy.assign(item="day of traffic control", unit="pieces", net=1),
    ]
    return pd.concat(lines, ignore_index=True).assign(kind="day")[["visit_id", *LINE]]
