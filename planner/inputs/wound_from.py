"""What a system's sleeves are wound from and mixed of: materials and parts of a resin."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from planner.contracts import MATERIALS, PARTS
from planner.errors import Fault
from planner.inputs.forms import refuse
from planner.inputs.records import read_records
from planner.inputs.refusals import covered_sizes, refuse_strange_systems

# What each form cannot be reckoned without, and the packs that fit its unit.
_NEEDS = {"strip": ("width_mm",), "turns": ("turns_count",), "each": ("pieces_count",)}
_PACKS = {"wound": "pack_m2", "sheets": "pack_m2", "folded": "pack_m2", "each": "pack_count"}


def read_materials(
    records: list[object], names: Iterable[str], file: str
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read ``[[system.material]]``.

    Parameters
    ----------
    records
        The rows of all systems, each with its ``system``.
    names
        Systems that could be read.
    file
        Name in messages.

    Returns
    -------
    frame, faults
        Refused: a row without a figure that its form needs, with a pack of another unit
        than its form's, with its sizes the wrong way round, or whose sizes another row of
        the same material covers.
    """
    prefix = "system.material"
    frame, faults = read_records(records, MATERIALS, file, prefix=prefix)
    frame = refuse_strange_systems(frame, names, prefix, file, faults)
    for form, needed in _NEEDS.items():
        for column in needed:
            rows = frame.index[(frame["form"] == form) & frame[column].isna()]
            bad = dict.fromkeys(rows, f"a figure: {form} needs it")
            frame = refuse(frame, bad, f"{prefix}.{column}", file, faults)
    for column in ("pack_m2", "pack_m", "pack_count"):
        fits = frame["form"].map(lambda form: _PACKS.get(form, "pack_m")) == column
        zero = frame[column].notna() & (frame[column].fillna(0) <= 0)
        wrong = frame.index[(frame[column].notna() & ~fits) | zero]
        bad = {i: _pack_wanted(str(frame.at[i, "form"])) for i in wrong}
        frame = refuse(frame, bad, f"{prefix}.{column}", file, faults)
    turned = frame.index[frame["dn_from_mm"] > frame["dn_to_mm"]]
    bad = dict.fromkeys(turned, "dn_to_mm, which is no smaller")
    frame = refuse(frame, bad, f"{prefix}.dn_from_mm", file, faults)
    bad = covered_sizes(frame, ("system", "material"), "material")
    return refuse(frame, bad, f"{prefix}.dn_from_mm", file, faults), faults


def _pack_wanted(form: str) -> str:
    return f"{_PACKS.get(form, 'pack_m')} above 0: what {form} is packed by"


def read_parts(
    records: list[object], names: Iterable[str], file: str
) -> tuple[pd.DataFrame, list[Fault]]:
    """Read ``[[system.part]]``: the parts of a resin and their shares.

    Parameters
    ----------
    records
        The rows of all systems, each with its ``system``.
    names
        Systems that could be read.
    file
        Name in messages.

    Returns
    -------
    frame, faults
        A system with one part that cannot be used has none: a mix with a part left out
        would be another mix. Refused: shares by volume without densities, shares by mass
        beside shares by volume, a part that stands twice.
    """
    prefix = "system.part"
    frame, faults = read_records(records, PARTS, file, prefix=prefix)
    read = set(frame["row"].astype(int))
    lost = {_system(records[row - 1]) for row in range(1, len(records) + 1) if row not in read}
    frame = refuse_strange_systems(frame, names, prefix, file, faults)
    by_volume = frame["share_by"] == "volume"
    thin = frame.index[by_volume & frame["density_kg_per_l"].isna()]
    lost |= set(frame.loc[thin, "system"])
    bad = dict.fromkeys(thin, "a density: shares by volume need it")
    frame = refuse(frame, bad, f"{prefix}.density_kg_per_l", file, faults)
    twice = frame.index[frame.duplicated(["system", "part"])]
    lost |= set(frame.loc[twice, "system"])
    frame = refuse(frame, dict.fromkeys(twice, "a part once"), f"{prefix}.part", file, faults)
    first = frame.groupby("system")["share_by"].transform("first")
    mixed = frame.index[frame["share_by"] != first]
    lost |= set(frame.loc[mixed, "system"])
    bad = dict.fromkeys(mixed, "shares of one system all by mass or all by volume")
    frame = refuse(frame, bad, f"{prefix}.share_by", file, faults)
    rest = frame.index[frame["system"].isin(lost)]
    bad = dict.fromkeys(rest, "a mix of which every part can be used")
    return refuse(frame, bad, f"{prefix}.part", file, faults), faults


def _system(record: object) -> str:
    return str(record.get("system", "")) if isinstance(record, dict) else ""
