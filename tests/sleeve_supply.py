"""A small supply for tests of placement: systems, sizes, packers, prices; and a call."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
from one_pipe import price, prices, town

from planner.contracts import PACKERS, SYSTEM_SIZES, SYSTEMS
from planner.ground.ids import NOTHING_KNOWN
from planner.repairs.place import Placed, Supply, place_sleeves
from planner.repairs.place_own import Own
from planner.settings import Sleeving, load_settings
from planner.tables import conform

SLEEVING = load_settings({}).sleeving
SLEEVE = price("sleeve", 1_000_00, per_m=200_00, included_m=1.0)
REOPEN = price("reopen", 150_00)


def system(name: str = "felt", **more: Any) -> dict[str, Any]:
    row = {"system": name, "cure": "ambient", "supply": "mix_on_site", "carrier": "felt"}
    return {**row, "set_by": "camera", "overlap_m": 0.3, **more}


def size(name: str = "felt", lengths: str = "0.6+1.0+2.0", **more: Any) -> dict[str, Any]:
    row = {"system": name, "dn_from_mm": 150.0, "dn_to_mm": 300.0, "wall_mm": 6.0, "plies": 3}
    return {**row, "resin_kg_per_l": 1.05, "lengths_m": lengths, **more}


def packer(name: str = "P", usable_m: float = 3.0, **more: Any) -> dict[str, Any]:
    row = {"packer": name, "dn_from_mm": 150.0, "dn_to_mm": 300.0, "usable_m": usable_m}
    return {**row, "reach_m": 80.0, "cures": "ambient", **more}


def supply(**more: Any) -> Supply:
    return Supply(
        conform(more.get("systems", [system()]), SYSTEMS),
        conform(more.get("sizes", [size()]), SYSTEM_SIZES),
        conform(more.get("packers", [packer()]), PACKERS),
        prices(*more.get("prices", [SLEEVE, REOPEN])),
    )


SUPPLY = supply()


def place(
    spans: list[dict[str, Any]],
    verdicts: list[dict[str, Any]],
    *,
    given: Supply | None = None,
    settings: Sleeving = SLEEVING,
    barred: pd.DataFrame | None = None,
    defects: pd.DataFrame | None = None,
    own: Sequence[Own] = (),
    **more: Any,
) -> Placed:
    tables = town(spans, verdicts, **more)
    if defects is not None:
        tables["defects"] = defects
    return place_sleeves(
        tables, given or SUPPLY, settings, NOTHING_KNOWN, find_m=0.3, barred=barred, own=own
    )


def places(placed: Placed) -> list[tuple[float, float]]:
    """from_m and to_m of each sleeve, to the millimetre."""
    rows = placed.sleeves[["from_m", "to_m"]].itertuples(index=False, name=None)
    return [(round(start, 3), round(end, 3)) for start, end in rows]
