"""What is ordered: net, waste, batch loss, rounding to whole packs and spares, each by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts import ORDERS, SYSTEMS
from planner.contracts.facts import Tables
from planner.ground.materials import ROLL, item_of
from planner.ground.quantities import pieces_of
from planner.settings import Takeoff
from planner.tables import check, conform
from planner.takeoff.needs import sleeve_lines
from planner.takeoff.totals import accepted, visited

FIGURES = ["net", "waste", "batch_loss", "rounding", "spare", "to_order"]
_BASE = ["level", "key", "item", "unit"]
Whole = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Rule:
    """How one item is ordered; figures in the item's smallest unit.

    ``pack`` is one kit, roll or pack, 1 where it is not rounded; ``loss`` what each batch
    leaves in the tub; ``spares`` whether some are kept for what goes wrong.
    """

    item: str
    unit: str
    at: str
    pack: int
    waste_ratio: float
    loss: int
    why: str
    spares: bool

    def waste(self, net: Whole) -> Whole:
        """Give the waste of each net figure, upward."""
        # Nine digits are enough for any ratio that a person writes; what is beyond is noise.
        return np.ceil(np.round(net * self.waste_ratio, 9)).astype(np.int64)


def make_orders(
    tables: Tables, settings: Takeoff, *, first_day: str, items: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Say what is ordered for visits, routes, the week, and what is left of the project.

    Each item is rounded at one level: at each sleeve where its batch is a sleeve's own, at
    the route where a batch is mixed for the day, else at the week. Above it orders are
    sums, below it blank. Spares are added at the week. Accepted sleeves that this week does
    not reach are reckoned as one lot (level ``rest``, no spares); the project is week and
    rest. Ready-impregnated material has no kits: a sleeve that comes made is ordered by the
    piece, one cut from a roll by its length.

    Parameters
    ----------
    tables
        Of it: visits, setup_works, works, sleeves, systems, system_sizes, materials,
        parts, choices, choice_sleeves.
    settings
        Waste, batch loss, spares.
    first_day
        Key of the week, "week" where blank.
    items
        What `needs.sleeve_lines` says of the sleeves, where that is known already.

    Returns
    -------
    orders
        Obeys `ORDERS`.

    Raises
    ------
    TableError
        If a table breaks its contract.
    """
    items = sleeve_lines(tables) if items is None else items
    held = visited(tables).dropna(subset="sleeve_id")
    lines = held.merge(items, on="sleeve_id")
    later = accepted(tables).merge(items, on="sleeve_id")
    later = later[~later["sleeve_id"].isin(held["sleeve_id"])]
    later = later.assign(visit_id="rest", crew="rest", date="")
    week = first_day or "week"
    rows: list[pd.DataFrame] = []
    for rule in rules_of(tables, settings):
        own = lines[lines["item"] == rule.item]
        rest = _rest(later[later["item"] == rule.item], rule)
        made = [_visits(own, rule), _routes(own, rule)]
        weekly = _week(own, rule, settings, week)
        rows += [*made, weekly, rest, _project(weekly, rest)]
    rows = [part for part in rows if len(part)]
    return conform(pd.concat(rows) if rows else [], ORDERS)


def rules_of(tables: Tables, settings: Takeoff) -> list[Rule]:
    """List how each item of sleeves is ordered; an item that none names is not ordered.

    Parameters
    ----------
    tables
        Of it: systems, materials, sleeves.
    settings
        Waste, batch loss.
    """
    rules = _material_rules(tables["materials"], settings)
    sleeves = tables["sleeves"]
    pieces = pieces_of(sleeves)
    for row in check(tables["systems"], SYSTEMS).to_dict("records"):
        name = str(row["system"])
        if row["supply"] == "mix_on_site":
            rules.append(_kits(name, row["kit_kg"], str(row["kit_per"]) or "sleeve", settings))
            continue
        if row["supply"] == "from_roll":
            ratio = settings.mat_waste_ratio
            why = f"cut from a ready-impregnated roll; waste {ratio:g} by [takeoff]"
            rules.append(Rule(item_of(ROLL, name), "mm", "week", 1, ratio, 0, why, spares=True))
            continue
        why = "by the piece, as it comes made"
        rules += [
            Rule(piece, "pieces", "week", 1, 0.0, 0, why, spares=True)
            for piece in sorted(pieces[sleeves["system"].to_numpy() == name].unique())
        ]
    return sorted(rules, key=lambda rule: rule.item)


def _kits(system: str, kit_kg: float, per: str, settings: Takeoff) -> Rule:
    pack = 1 if pd.isna(kit_kg) else max(1, round(kit_kg * 1000.0))
    why = f"waste {settings.resin_waste_ratio:g} and {settings.batch_loss_g} g a batch by [takeoff]"
    kit = f"kits of {pack / 1000:g} kg, a batch for each {per}" if pack > 1 else "no kit stated"
    return Rule(
        item_of("resin", system), "g", per, pack, settings.resin_waste_ratio,
        settings.batch_loss_g, f"{kit}; {why}", spares=True,
    )  # fmt: skip


def _material_rules(materials: pd.DataFrame, settings: Takeoff) -> list[Rule]:
    rules: dict[str, Rule] = {}
    for row in materials.to_dict("records"):
        item = item_of(str(row["material"]), str(row["system"]))
        form = str(row["form"])
        unit = "mm2" if form in ("wound", "sheets", "folded") else "mm"
        unit = "pieces" if form == "each" else unit
        size = {"mm2": ("pack_m2", 1e6), "mm": ("pack_m", 1e3), "pieces": ("pack_count", 1.0)}
        column, scale = size[unit]
        pack = 1 if pd.isna(row[column]) else max(1, round(float(row[column]) * scale))
        stated = not pd.isna(row["waste_ratio"])
        ratio = float(row["waste_ratio"]) if stated else settings.mat_waste_ratio
        ratio = 0.0 if unit == "pieces" and not stated else ratio
        why = f"waste {ratio:g} by {'the material' if stated else '[takeoff]'}"
        # Sizes of one material share a pack: the first row's counts.
        rules.setdefault(item, Rule(item, unit, "week", pack, ratio, 0, why, spares=False))
    return list(rules.values())


def _figures(frame: pd.DataFrame, rule: Rule, batches: Whole) -> pd.DataFrame:
    """Reckon an order for each row of net, rounded there."""
    net = frame["net"].to_numpy(dtype=np.int64)
    waste, loss = rule.waste(net), batches * rule.loss
    raw = net + waste + loss
    whole = -(-raw // rule.pack) * rule.pack
    return frame.assign(waste=waste, batch_loss=loss, rounding=whole - raw, spare=0, to_order=whole)


def _rounded(lines: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    """Round at the rule's own level; one row for each sleeve, route, or for all."""
    if rule.at == "sleeve":
        groups = ["visit_id", "crew", "date", "sleeve_id"]
    elif rule.at == "route":
        groups = ["crew", "date"]
    else:
        lines, groups = lines.assign(all=0), ["all"]
    sums = lines.groupby(groups, sort=True)["net"].sum().reset_index()
    return _figures(sums, rule, np.ones(len(sums), dtype=np.int64))


def _finish(frame: pd.DataFrame, rule: Rule, level: str) -> pd.DataFrame:
    fixed = {"level": level, "item": rule.item, "unit": rule.unit, "rounded_at": rule.at}
    pack = pd.array([rule.pack if rule.pack > 1 else pd.NA] * len(frame), dtype="Int64")
    columns = [*_BASE, *FIGURES, "pack", "rounded_at", "why"]
    return frame.assign(**fixed, why=rule.why, pack=pack).reindex(columns=columns)


def _visits(lines: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    if rule.at == "sleeve":
        sums = _rounded(lines, rule).groupby("visit_id", sort=True)[FIGURES].sum().reset_index()
    else:
        sums = lines.groupby("visit_id", sort=True)["net"].sum().reset_index()
    return _finish(sums.rename(columns={"visit_id": "key"}), rule, "visit")


def _routes(lines: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    if rule.at == "week":
        sums = lines.groupby(["crew", "date"], sort=True)["net"].sum().reset_index()
    else:
        found = _rounded(lines, rule)
        sums = found.groupby(["crew", "date"], sort=True)[FIGURES].sum().reset_index()
    return _finish(sums.assign(key=sums["crew"] + "|" + sums["date"]), rule, "route")


def _week(lines: pd.DataFrame, rule: Rule, settings: Takeoff, key: str) -> pd.DataFrame:
    if lines.empty:
        return pd.DataFrame()
    sums = _rounded(lines, rule)[FIGURES].sum().to_frame().T
    if rule.spares:
        spare = _spare(int(sums["to_order"].iloc[0]), rule, settings)
        sums = sums.assign(spare=spare, to_order=sums["to_order"] + spare)
    found = _finish(sums.assign(key=key), rule, "week")
    return found.assign(why=_spared(rule, settings))


def _spare(ordered: int, rule: Rule, settings: Takeoff) -> int:
    packs = ordered // rule.pack
    spares = int(np.ceil(np.round(packs * settings.spare_ratio, 9)))
    if rule.pack > 1 or rule.unit == "pieces":
        return max(settings.spare_least_count, spares) * rule.pack
    return spares  # no kit or piece to count in: a share of what is ordered


def _spared(rule: Rule, settings: Takeoff) -> str:
    if not rule.spares:
        return rule.why
    least = f", at least {settings.spare_least_count}" if settings.spare_least_count else ""
    return f"{rule.why}; spares {settings.spare_ratio:g} of the week{least}, by [takeoff]"


def _rest(lines: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    if lines.empty:
        return pd.DataFrame()
    sums = _rounded(lines, rule)[FIGURES].sum().to_frame().T
    return _finish(sums.assign(key="rest"), rule, "rest")


def _project(week: pd.DataFrame, rest: pd.DataFrame) -> pd.DataFrame:
    parts = [part for part in (week, rest) if len(part)]
    if not parts:
        return pd.DataFrame()
    sums = pd.concat(parts)[FIGURES].sum()
    found = parts[0].assign(level="project", key="project")
    found[FIGURES] = sums.to_numpy()
    return found
