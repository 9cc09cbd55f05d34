"""What a check found as tables: every finding, and every refused row with its raw text."""

from __future__ import annotations

from collections import defaultdict

import pandas as pd

from planner.contracts import CHECK_FINDINGS, REFUSED_ROWS
from planner.inputs.inputs import Inputs
from planner.inputs.raw_rows import raw_rows
from planner.tables import conform


def findings_table(inputs: Inputs, flags: pd.DataFrame, left_over: pd.DataFrame) -> pd.DataFrame:
    """Give every fault, row left over, doubt and step that waits as `CHECK_FINDINGS`.

    Parameters
    ----------
    inputs
        As read.
    flags, left_over
        What `screening.locate` gave.
    """
    faults = inputs.faults.rename(columns={"column": "about"}).assign(kind="fault")
    faults["row"] = faults["row"].mask(faults["row"] == 0)
    left = left_over.rename(columns={"key": "about", "reason": "wanted"}).assign(
        kind="left over", found="not placed"
    )
    doubts = pd.concat([inputs.flags, flags]).drop_duplicates()
    doubts = doubts.rename(columns={"key": "about", "what": "wanted"}).assign(kind="doubt")
    waits = pd.DataFrame({"kind": "waits", "wanted": inputs.missing})
    parts = [part.astype(object) for part in (faults, left, doubts, waits) if len(part)]
    rows = pd.concat(parts) if parts else pd.DataFrame(columns=CHECK_FINDINGS.names)
    return conform(rows.reindex(columns=CHECK_FINDINGS.names), CHECK_FINDINGS)


def refused_table(inputs: Inputs, left_over: pd.DataFrame) -> pd.DataFrame:
    """Give every row that is not used, why, and what stands there, as `REFUSED_ROWS`.

    Parameters
    ----------
    inputs
        As read.
    left_over
        What `screening.locate` gave.
    """
    why: dict[tuple[str, int], list[str]] = defaultdict(list)
    lost = inputs.faults[inputs.faults["lost"].astype(bool) & (inputs.faults["row"] > 0)]
    for row in lost.to_dict("records"):
        what = f"{row['column']}: found {row['found'] or 'nothing'}; wanted {row['wanted']}"
        why[str(row["file"]), int(row["row"])].append(what)
    placed = left_over[(left_over["file"] != "") & left_over["row"].notna()]
    for file, line, reason in placed[["file", "row", "reason"]].itertuples(index=False):
        why[str(file), int(line)].append(str(reason))
    wanted: dict[str, list[int]] = defaultdict(list)
    for file, line in why:
        wanted[file].append(line)
    raw = raw_rows(inputs.folder, wanted)
    rows = [
        {"file": f, "row": n, "reason": "; ".join(texts), "raw": raw.get((f, n), "")}
        for (f, n), texts in sorted(why.items())
    ]
    return conform(rows, REFUSED_ROWS)
