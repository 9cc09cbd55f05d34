"""Placed rows as the walks of `span_kernel` read them: one pipe after the other, in numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.coded_text import Coded, Columns, Marks
from planner.compiled import plain
from planner.contracts import SPAN_QUANTITIES
from planner.held import Held
from planner.screening import span_kernel as walks
from planner.screening.joints import JOINT, REPEATED
from planner.screening.span_kernel import NO_GROUP, Groups, Rows, Told

DAMAGE, FLAG = "damage", "flag"
# Figures of a span that are shares of the nominal size.
OF_DN = (
    ("offset_mm", "offset_dn_ratio"),
    ("missing_mm", "missing_dn_ratio"),
    ("break_mm", "break_dn_ratio"),
)
_TEXTS = ("kind", "mechanism", "detail", "shows", "extent_from", "counter_node", "seen_on",
          "quantity")  # fmt: skip
_FIGURES = ("from_m", "to_m", "x_from_m", "x_to_m", "find_m", "arc_h", "quantity_low",
            "quantity_high")  # fmt: skip
_EXTENTS = {"coded": walks.CODED, "quantity": walks.QUANTITY, "assumed": walks.ASSUMED}
_SEEN = {"soil_visible": walks.SOIL, "void_visible": walks.VOID, "at_lateral": walks.LATERAL}
_TRAITS = {**_SEEN, "roots": walks.ROOTS, "deposit_attached": walks.DEPOSIT,
           "deposit_settled": walks.DEPOSIT}  # fmt: skip
_UNNAMED = "unknown"

Places = npt.NDArray[np.intp]


@dataclass(frozen=True)
class Laid:
    """Rows laid out for the walks; `at` has the place of each in the defects.

    Those of pipe b start at ``starts[b]``. `names` are those of groups; `mechanisms` and
    `details` the words of sets, bit by bit; `days` those of surveys in order; `figures` the
    quantities that rows have.
    """

    rows: Rows
    groups: Groups
    at: Places
    starts: npt.NDArray[np.int64]
    names: Sequence[str]
    mechanisms: Sequence[str]
    details: Sequence[str]
    days: pa.Array
    figures: Sequence[str]


def laid_out(defects: Held, starts: Places, split: Columns | None) -> Laid:
    """Lay rows out for the walks.

    Parameters
    ----------
    defects
        Holds `DEFECTS`, one pipe after the other.
    starts
        Where each pipe starts.
    split
        What `split_repeated` made of repeated damage; None = there is none.
    """
    names = _group_names(defects, split)
    columns: Columns = {name: defects.coded(name) for name in _TEXTS}
    columns |= {name: defects.floats(name) for name in _FIGURES}
    columns |= joints_in(defects.column("at_joint"))
    columns["group"], at = _groups(defects, names), np.arange(len(defects))
    if split is not None:
        columns, at, starts = _with_joints(columns, starts, split, names)
    mechanisms = sorted(set(columns["mechanism"].listed()))
    details = sorted({_named(word) for word in columns["detail"].listed()})
    days = columns["seen_on"]
    ranked = Coded(np.arange(len(days.words), dtype=np.int32), days.words).ordered()
    figures = _figures(columns["quantity"])
    return Laid(
        rows=_rows(columns, mechanisms, details, ranked.codes, figures),
        groups=_told_groups(names), at=at, starts=np.append(starts, len(at)).astype(np.int64),
        names=names, mechanisms=mechanisms, details=details, days=ranked.words, figures=figures,
    )  # fmt: skip


def in_walk_order(laid: Laid, ranks: npt.NDArray[Any]) -> Laid:
    """Give rows alike in group and station another order: by `ranks`."""
    return replace(laid, rows=laid.rows._replace(order=plain(ranks, np.int64)))


def joints_in(at_joint: Any) -> Columns:  # noqa: ANN401 - any array of yes, no and unknown
    """Tell which rows are coded as at a joint, and which as at none."""
    if isinstance(at_joint, np.ndarray) and at_joint.dtype == bool:
        return {"joint": at_joint, "no_joint": ~at_joint}
    given = isinstance(at_joint, pd.arrays.BooleanArray)
    known = at_joint if given else pd.array(at_joint, dtype="boolean")
    joint = known.to_numpy(dtype=bool, na_value=False)
    return {"joint": joint, "no_joint": ~(joint | known.isna())}


def _group_names(defects: Held, split: Columns | None) -> list[str]:
    """Name what rows are joined with: damage, flags, joints, what recurs, each condition."""
    found = {DAMAGE, FLAG, JOINT, *defects.coded("mechanism").listed()}
    return sorted(found if split is None else found | set(split["group"].listed()))


def _groups(defects: Held, names: Sequence[str]) -> npt.NDArray[np.int32]:
    """Give each row the number of its group; repeated damage makes no span as it stands."""
    role, mechanism, kind = (defects.coded(name) for name in ("role", "mechanism", "kind"))
    number = {name: at for at, name in enumerate(names)}
    own = [number[word] for word in mechanism.listed()]
    of_role = {
        DAMAGE: [number[DAMAGE]] * len(own), FLAG: [number[FLAG]] * len(own), "condition": own
    }  # fmt: skip
    none = [NO_GROUP] * len(own)
    table = np.array([of_role.get(word, none) for word in role.listed()], dtype=np.int32)
    found = table.reshape(-1).take(role.codes * np.int32(len(own)) + mechanism.codes)
    again = repeated_in(role, kind)
    return np.where(again, np.int32(NO_GROUP), found) if again.any() else found


def repeated_in(role: Coded, kind: Coded) -> Marks:
    """Tell which rows are damage that comes back at every joint."""
    if REPEATED not in kind.listed():
        return np.zeros(len(kind), dtype=bool)
    return kind.holds(REPEATED) & role.holds(DAMAGE)


def _told_groups(names: Sequence[str]) -> Groups:
    """Say what holds for groups of these names."""
    number = {name: at for at, name in enumerate(names)}
    again = np.array([name == JOINT or is_whole(name) for name in names])
    words = [step_of(name) for name in names]
    order = {word: at for at, word in enumerate(sorted(set(words)))}
    step = np.array([order[word] for word in words], dtype=np.int64)
    damage = np.array([takes(name) for name in names])
    return Groups(step, damage, again, number[FLAG], number[DAMAGE], number[JOINT])


def takes(group: str) -> bool:
    """Tell whether a group is damage, which conditions lend to."""
    return group in (DAMAGE, FLAG, JOINT) or is_whole(group)


def is_whole(group: str) -> bool:
    """Tell whether a group is one matter for its whole pipe."""
    return group.startswith(f"{REPEATED} ")


def step_of(group: str) -> str:
    """Give that by which things of one place inherit ids: damage, or the mechanism."""
    if group in (DAMAGE, FLAG, JOINT):
        return DAMAGE
    return group.partition(" ")[2] if is_whole(group) else group


def _with_joints(
    columns: Columns, starts: Places, split: Columns, names: Sequence[str]
) -> tuple[Columns, Places, Places]:
    """Put what repeated damage was split into behind the rows of its pipe."""
    count = len(columns["group"])
    at = np.concatenate([np.arange(count), split["row"]])
    pipe = (np.searchsorted(starts, np.arange(count), side="right") - 1)[at]
    order = np.argsort(pipe, kind="stable")
    new = np.flatnonzero(order >= count)
    from_split = order[new] - count
    found = {name: values[at[order]] for name, values in columns.items()}
    number = {name: one for one, name in enumerate(names)}
    groups = np.array([number[word] for word in split["group"].listed()], dtype=np.int32)
    found["group"][new] = groups[split["group"].codes][from_split]
    points = split["point"][from_split]
    new, from_split = new[points], from_split[points]
    for name in ("x_from_m", "x_to_m", "from_m", "to_m"):
        found[name][new] = split[name][from_split]
    found["joint"][new], found["no_joint"][new] = True, False
    here = np.zeros(len(order), dtype=bool)
    here[new] = True
    found["kind"] = Coded.where(here, "point", found["kind"])
    extents = split["extent_from"][from_split].placed(new, len(order))
    found["extent_from"] = Coded.where(here, extents, found["extent_from"])
    return found, at[order], np.searchsorted(pipe[order], np.arange(len(starts)))


def _named(detail: str) -> str:
    return detail or _UNNAMED


def kinds_of(words: Sequence[str]) -> str:
    """Join kinds of root or deposit; what is not named is told among named ones alone."""
    return "" if list(words) == [_UNNAMED] else "+".join(words)


def _figures(quantity: Coded) -> list[str]:
    """Give the quantities that rows have; a share of the size is reckoned from its figure."""
    there = set(quantity.listed()) - {ratio for _, ratio in OF_DN}
    return [name for name in SPAN_QUANTITIES if name in there]


def _rows(
    columns: Columns, mechanisms: Sequence[str], details: Sequence[str],
    days: npt.NDArray[np.int32], figures: Sequence[str],
) -> Rows:  # fmt: skip
    mechanism, detail, shows = (columns[name] for name in ("mechanism", "detail", "shows"))
    bit, detail_bit, figure = (
        {word: at for at, word in enumerate(words)} for words in (mechanisms, details, figures)
    )
    seen = [sum(mark for word, mark in _SEEN.items() if word in text) for text in shows.listed()]
    measured = columns["extent_from"].holds("quantity")
    core_from, core_to = (
        np.where(measured, columns[name], columns[f"x_{name}"]) for name in ("from_m", "to_m")
    )
    return Rows(
        group=plain(columns["group"], np.int32),
        core_from=plain(core_from, np.float64),
        core_to=plain(core_to, np.float64),
        order=plain(np.arange(len(columns["group"])), np.int64),
        node=plain(columns["counter_node"].codes, np.int32),
        kind=_told(columns["kind"], {"stretch": 1}),
        extent=_told(columns["extent_from"], _EXTENTS),
        day=Told(plain(columns["seen_on"].codes, np.int32), plain(days, np.int64)),
        mechanism=_told(mechanism, bit),
        trait=_told(mechanism, _TRAITS),
        detail=_told(detail, {word: detail_bit[_named(word)] for word in detail.listed()}),
        shows=Told(plain(shows.codes, np.int32), plain(np.array(seen), np.int64)),
        figure=_told(columns["quantity"], figure, -1),
        joint=plain(columns["joint"], np.bool_),
        no_joint=plain(columns["no_joint"], np.bool_),
        **{name.removeprefix("quantity_"): plain(columns[name], np.float64) for name in _FIGURES},
    )


def _told(column: Coded, means: Mapping[str, int], other: int = 0) -> Told:
    """Say what each word of a column means."""
    found = np.array([means.get(word, other) for word in column.listed()], dtype=np.int64)
    return Told(plain(column.codes, np.int32), plain(found, np.int64))
