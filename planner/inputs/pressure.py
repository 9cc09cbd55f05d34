"""A system's own pressure steps: read and held against maxima, never added to or altered.

A size with one step that cannot be used prints none: a table with a step left out would be
another table than the maker's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from planner.contracts import PRESSURE_STEPS
from planner.errors import Fault, shown
from planner.ground.pressure import LOW_STEP_PSI, low_step_bar
from planner.inputs.records import read_records
from planner.inputs.refusals import refuse_strange_systems

_PREFIX = "system.pressure"
_UNREADABLE = "is unreadable"


def read_pressure(
    records: list[object], names: Iterable[str], file: str
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read ``[[system.pressure]]`` in the order of the file.

    Parameters
    ----------
    records
        The steps of all systems, each with its ``system``.
    names
        Systems that could be read.
    file
        Name in messages.

    Returns
    -------
    frame, faults
        Steps with ``seq`` and ``refused``, which names a row that could not be read.
    """
    frame, faults = read_records(
        records, PRESSURE_STEPS, file, derived=("seq", "refused"), prefix=_PREFIX
    )
    frame = refuse_strange_systems(frame, names, _PREFIX, file, faults)
    refused = pd.Series("", index=frame.index, dtype="str")
    for row in sorted(set(range(1, len(records) + 1)) - set(frame["row"].astype(int))):
        refused = refused.mask(_same_size(frame, records[row - 1]), f"row {row} {_UNREADABLE}")
    seq = frame.groupby(["system", "dn_to_mm"], sort=False).cumcount() + 1
    return frame.assign(seq=seq.astype("Int64"), refused=refused), faults


def _same_size(frame: pd.DataFrame, record: object) -> pd.Series:
    """Find the steps of the same table as a row that could not be read."""
    found = record if isinstance(record, Mapping) else {}
    same = frame["system"] == str(found.get("system", ""))
    dn = found.get("dn_to_mm")
    known = isinstance(dn, int | float) and (frame["dn_to_mm"][same] == dn).any()
    return same & (frame["dn_to_mm"] == dn) if known else same


def check_pressure(
    frame: pd.DataFrame, systems: pd.DataFrame, packers: pd.DataFrame, file: str
) -> tuple[pd.DataFrame, list[Fault]]:
    """Refuse the steps of a size that break a maximum or whose minutes do not rise.

    Parameters
    ----------
    frame
        What `read_pressure` gave.
    systems, packers
        Rows of `SYSTEMS` and `PACKERS` that could be read.
    file
        Name in messages.

    Returns
    -------
    frame, faults
        The same steps, ``refused`` filled; a step that begins above the customary low one
        is told and kept.
    """
    refused, faults = frame["refused"].copy(), []
    for system, own in frame.groupby("system", sort=True):
        below = 0.0
        for dn in sorted(own["dn_to_mm"].unique()):
            steps = own[own["dn_to_mm"] == dn].sort_values("seq")
            where = f"{shown(str(system))} up to DN {dn:g}"
            fault = _not_rising(steps, where, file) or _too_high(
                steps, where, file, _maxima(str(system), (below, float(dn)), systems, packers)
            )
            if fault:
                faults.append(fault)
                refused.loc[steps.index] = f"{fault.found}; wanted {fault.wanted}"
            elif not steps["refused"].iloc[0]:
                faults += _first_step(steps, where, file)
            below = float(dn)
    return frame.assign(refused=refused), faults


def count_kept(steps: pd.DataFrame) -> int:
    """Count the steps that no fault of their own refuses; of each size refused one has it.

    Parameters
    ----------
    steps
        Obeys `PRESSURE_STEPS`. An unreadable row is not in it.
    """
    by_check = (steps["refused"] != "") & ~steps["refused"].str.endswith(_UNREADABLE)
    return len(steps) - len(steps[by_check].drop_duplicates(["system", "dn_to_mm"]))


def _not_rising(steps: pd.DataFrame, where: str, file: str) -> Fault | None:
    at = steps["at_min"].to_numpy(dtype=float)
    falls = np.flatnonzero(np.diff(at) <= 0)
    if not len(falls):
        return None
    i = int(falls[0])
    found = f"{where}: {at[i + 1]:g} min after {at[i]:g} min"
    row = int(steps["row"].iloc[i + 1])
    return Fault(file, row, f"{_PREFIX}.at_min", found, "minutes that rise from step to step")


def _too_high(
    steps: pd.DataFrame, where: str, file: str, maxima: list[tuple[float, str]]
) -> Fault | None:
    at = int(np.argmax(steps["pressure_bar"].to_numpy(dtype=float)))
    top = float(steps["pressure_bar"].iloc[at])
    over = [(most, whose) for most, whose in maxima if top > most]
    if not over:
        return None
    most, whose = min(over)
    wanted = f"at most {most:g} bar, the maximum of {whose}"
    row = int(steps["row"].iloc[at])
    return Fault(file, row, f"{_PREFIX}.pressure_bar", f"{where}: {top:g} bar", wanted)


def _maxima(
    system: str, between_mm: tuple[float, float], systems: pd.DataFrame, packers: pd.DataFrame
) -> list[tuple[float, str]]:
    """Give each stated maximum [bar] that holds for a system between two sizes."""
    row = systems[systems["system"] == system].iloc[0]
    cures = [row["cure"] in one.split("+") for one in packers["cures"]]
    fits = packers[
        pd.Series(cures, packers.index, dtype=bool)
        & (packers["dn_to_mm"] > between_mm[0])
        & (packers["dn_from_mm"] <= between_mm[1])
    ]
    named = [("the system", row["pressure_max_bar"])]
    named += [
        (f"packer {shown(name)}", most)
        for name, most in fits[["packer", "pressure_max_bar"]].itertuples(index=False)
    ]
    return [(float(most), whose) for whose, most in named if not pd.isna(most)]


def _first_step(steps: pd.DataFrame, where: str, file: str) -> list[Fault]:
    first, low = float(steps["pressure_bar"].iloc[0]), low_step_bar()
    if first <= low:
        return []
    found = f"{where} begins at {first:g} bar"
    wanted = f"a low first step of about {low:g} bar ({LOW_STEP_PSI:g} psi), common practice"
    row = int(steps["row"].iloc[0])
    return [Fault(file, row, f"{_PREFIX}.pressure_bar", found, wanted, lost=False)]
