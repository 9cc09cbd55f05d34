"""How far each verdict is from another one: the nearest figure that would flip it.

Each figure of a span is moved, alone, through all the bands that the rules cut it into, and
the rules are asked again. What is found is therefore exact for the book as it stands, however
its rules hang together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.screening.columns import Marks, Texts, View
from planner.screening.judge import judge
from planner.screening.rule_text import Clause, Limit, Rule
from planner.screening.rulebook import Rulebook
from planner.screening.ruling import Ruling, rule_on
from planner.screening.verdict import Mechanisms

Numbers = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

# One figure, written in mm and as a share of the diameter: both move together.
TIED = {
    "offset_mm": "offset_dn_ratio",
    "missing_mm": "missing_dn_ratio",
    "break_mm": "break_dn_ratio",
}
# Figures that a condition lends to the damage which it overlaps.
LENT = ("deposit_pct", "obstruction_pct", "sag_pct", "water_pct")
# Copies of spans that are held against the rules at once.
_AT_ONCE = 400_000


@dataclass
class Margins:
    """Per span: the figure that flips its verdict first, where, by how much, and to what.

    `column` is "" where no single known figure does. `close` marks verdicts that would differ
    within the figure's own interval, on the limit itself, or without an assumed extent.
    """

    column: Texts
    at: Numbers
    by: Numbers
    unit: Texts
    to: Texts
    close: Marks


@dataclass(frozen=True)
class Asked:
    """What verdicts rest on: spans as the rules saw them, and what each rule said."""

    view: View
    rulebook: Rulebook
    mechanisms: Mechanisms
    rulings: Sequence[Ruling]
    barred: Marks


def margins_of(asked: Asked, verdict: Texts, wanted: Marks) -> Margins:
    """Find the nearest flip of each verdict.

    Parameters
    ----------
    asked
        What the verdicts rest on.
    verdict
        The verdicts, in the order of the spans.
    wanted
        Spans to look at; mended ones, say, are passed over.

    Returns
    -------
    margins
        In the order of the spans. Of several figures the one counts whose step is the
        smallest share of the limit it meets; a figure in mm goes with its share of DN.
    """
    count = len(asked.view)
    out = Margins(
        np.full(count, "", dtype=object),
        np.full(count, np.nan),
        np.full(count, np.nan),
        np.full(count, "", dtype=object),
        np.full(count, "", dtype=object),
        np.zeros(count, dtype=bool),
    )
    best = np.full(count, np.inf)
    tied = set(TIED.values())
    for column in SPAN_QUANTITIES:
        ratio = TIED.get(column, "")
        cuts = cuts_in(asked.rulebook, column)
        ratio_cuts = cuts_in(asked.rulebook, ratio) if ratio else np.zeros(0)
        known = wanted & ~asked.view.blank(column)
        if column in tied:  # alone only where its figure in mm is not known
            main = next(name for name, other in TIED.items() if other == column)
            known &= asked.view.blank(main)
        rows = np.flatnonzero(known)
        if len(rows) and len(cuts) + len(ratio_cuts):
            step = max(1, _AT_ONCE // (2 * (len(cuts) + len(ratio_cuts)) + 1))
            for start in range(0, len(rows), step):
                some = rows[start : start + step]
                _move(asked, verdict, some, _Figure(column, ratio, cuts, ratio_cuts), out, best)
    _without_lent(asked, verdict, wanted, out)
    return out


@dataclass(frozen=True)
class _Figure:
    column: str
    ratio: str
    cuts: Numbers
    ratio_cuts: Numbers


def cuts_in(rulebook: Rulebook, column: str) -> Numbers:
    """Give the figures at which some rule about spans changes its answer."""
    found = {
        float(clause.value)
        for rule in rulebook.about("span")
        for clause in rule.when
        if clause.column == column and isinstance(clause.value, float)
    }
    for rule in rulebook.about("span"):
        for limit in rule.limit:
            if limit.column == column:
                found |= {limit.ok, limit.ask} - {np.inf}
    return np.array(sorted(value for value in found if value >= 0.0), dtype=float)


def _move(
    asked: Asked, verdict: Texts, rows: Places, figure: _Figure, out: Margins, best: Numbers
) -> None:
    """Move one figure of some spans through all its bands, and keep the nearest flip."""
    low, high = (ends[rows] for ends in asked.view.interval(figure.column))
    per_mm = np.full(len(rows), np.nan)
    cuts = np.broadcast_to(figure.cuts, (len(rows), len(figure.cuts)))
    if figure.ratio:
        per_mm = _per_mm(asked.view, figure, rows)
        scale = np.where(per_mm > 0.0, per_mm, np.nan)[:, None]
        own = figure.ratio_cuts / scale
        cuts = np.sort(np.concatenate([cuts, own], axis=1), axis=1)  # NaN goes last
    points, edge = _points(cuts)
    words = _asked_again(asked, rows, figure, points, per_mm)
    differs = (words != verdict[rows][:, None]) & ~np.isnan(points)
    inside = (points >= low[:, None]) & (points <= high[:, None])
    out.close[rows] |= (differs & inside).any(axis=1)
    by = np.maximum(np.maximum(edge - high[:, None], low[:, None] - edge), 0.0)
    by = np.where(differs, by, np.inf)
    share = by / np.maximum(edge, 1e-9)
    # Inside its interval nothing must move; of equals the smaller figure counts.
    share = np.where(differs & inside, 0.0, np.where(differs, share, np.inf))
    first = np.argmin(share, axis=1)
    at = (np.arange(len(rows)), first)
    better = share[at] < best[rows]
    chosen, where = rows[better], (at[0][better], at[1][better])
    best[chosen] = share[where]
    out.column[chosen], out.at[chosen] = figure.column, edge[where]
    out.by[chosen] = np.where(inside[where], 0.0, by[where])
    out.unit[chosen], out.to[chosen] = SPAN_QUANTITIES[figure.column], words[where]
    out.close[chosen] |= out.by[chosen] == 0.0


def _per_mm(view: View, figure: _Figure, rows: Places) -> Numbers:
    """Give the share of the diameter that one mm is, by a span's two figures; NaN if unknown."""
    for side in (0, 1):
        mm = view.interval(figure.column)[side][rows]
        share = view.interval(figure.ratio)[side][rows]
        with np.errstate(invalid="ignore", divide="ignore"):
            found = np.where((mm > 0.0) & np.isfinite(mm) & np.isfinite(share), share / mm, np.nan)
        if side == 0:
            out = found
    return np.where(np.isnan(out), found, out)


def _points(cuts: Numbers) -> tuple[Numbers, Numbers]:
    """Give one figure on each cut and in each band between, and the cut that leads there.

    From below a band is reached at its lower cut, from above at its upper one; the nearer of
    the two lies towards the figure itself, so both are given and the caller takes what is near.
    """
    count, width = cuts.shape
    points = np.full((count, 3 * width + 1), np.nan)
    edge = np.full((count, 3 * width + 1), np.nan)
    before = np.concatenate([np.zeros((count, 1)), cuts[:, :-1]], axis=1)
    after = np.concatenate([cuts[:, 1:], cuts[:, -1:] + 2.0], axis=1)
    after = np.where(np.isnan(after), cuts + 2.0, after)
    points[:, 0:width], edge[:, 0:width] = cuts, cuts
    # Below each cut, reached from above; and above each cut, reached from below.
    points[:, width : 2 * width], edge[:, width : 2 * width] = (before + cuts) / 2.0, cuts
    points[:, 2 * width : 3 * width], edge[:, 2 * width : 3 * width] = (cuts + after) / 2.0, cuts
    return points, edge


def _asked_again(
    asked: Asked, rows: Places, figure: _Figure, points: Numbers, per_mm: Numbers
) -> Texts:
    """Give the verdicts of spans with a figure put in place of their own, one for each point."""
    count = points.shape[1]
    values = points.reshape(-1)
    given = {f"{figure.column}_{end}": values for end in ("low", "high")}
    if figure.ratio:
        share = values * np.repeat(per_mm, count)
        for end, side in (("low", 0), ("high", 1)):
            own = np.repeat(asked.view.interval(figure.ratio)[side][rows], count)
            given[f"{figure.ratio}_{end}"] = np.where(np.isnan(share), own, share)
    named = {figure.column, figure.ratio}
    return _verdicts(asked, np.repeat(rows, count), named, given).reshape(points.shape)


def _verdicts(asked: Asked, rows: Places, named: set[str], given: Mapping[str, Any]) -> Texts:
    """Ask the rules that name a changed column again; what the others said stays."""
    again = [rule for rule in asked.rulebook.about("span") if named & columns_of(rule)]
    ids = {rule.id for rule in again}
    wanted = {"pipe_id"}.union(*(columns_of(rule) for rule in again))
    things = asked.view.things
    held = [name for name in things.columns if _plain(name) in wanted and name not in given]
    changed = pd.DataFrame({name: things[name].array.take(rows) for name in held} | {**given})
    view = replace(asked.view, things=changed, _read={})
    mechanisms = replace(asked.mechanisms, own=asked.mechanisms.own[rows])
    rulings = [_bare(one, rows, len(asked.view)) for one in asked.rulings if one.rule.id not in ids]
    everywhere = np.ones(len(rows), dtype=bool)
    for rule in again:
        applies = mechanisms.any_of(rule.mechanism) if rule.mechanism else everywhere
        rulings += rule_on(rule, view, applies, in_words=False)
    return judge(mechanisms, rulings, asked.barred[rows]).verdict


def columns_of(rule: Rule) -> set[str]:
    """Give the columns that a rule names."""
    parts: list[Clause | Limit] = [*rule.when, *rule.limit]
    return {part.column for part in parts}


def _plain(name: str) -> str:
    plain = name.removesuffix("_low").removesuffix("_high")
    return plain if plain in SPAN_QUANTITIES else name


def _bare(ruling: Ruling, rows: Places, count: int) -> Ruling:
    """Give what a rule said of some spans, each as often as it stands in `rows`, without words."""
    at = np.full(count, -1, dtype=np.intp)
    at[ruling.rows] = np.arange(len(ruling.rows))
    where = at[rows]
    held = np.flatnonzero(where >= 0)
    where = where[held]
    return replace(ruling, rows=held, answer=ruling.answer[where], blank=ruling.blank[where])


def _without_lent(asked: Asked, verdict: Texts, wanted: Marks, out: Margins) -> None:
    """Mark verdicts that rest on a condition met only by an assumed extent."""
    view = asked.view
    lent = (view.texts("lent") != "") & (view.texts("extent_from") == "assumed")
    rows = np.flatnonzero(wanted & lent & (view.texts("role") == "damage"))
    if not len(rows):
        return
    given: dict[str, Any] = {
        f"{name}_{end}": np.full(len(rows), np.nan) for name in LENT for end in ("low", "high")
    }
    given["lent"] = pd.array([""] * len(rows), dtype="str")
    out.close[rows] |= _verdicts(asked, rows, {*LENT, "lent"}, given) != verdict[rows]
