"""Units of a table's columns: from the project file, a column's name, a row, or a column.

Where one unit holds for a column it is handed on; where runs of one file differ, their cells
are turned into ours. Figures of codes carry their unit with them as text.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from planner.errors import shown
from planner.inputs.cells import decimal_style, is_empty, read_number
from planner.inputs.column_names import UNITS
from planner.inputs.table_rows import TableRows
from planner.units import factor

LENGTHS = ("s_m", "surveyed_m", "stated_m", "joint_every_m")
SIZES = ("size_mm", "width_mm")
OURS = {**dict.fromkeys(LENGTHS, "m"), **dict.fromkeys(SIZES, "mm")}
_BARE = frozenset({"unit", "units"})
Texts = dict[str, pd.Series]


def in_our_units(
    texts: Texts, table: TableRows, lists: Sequence[TableRows], given: Mapping[str, str]
) -> tuple[Texts, dict[str, str], list[str]]:
    """Find the unit of each column of lengths and sizes.

    Parameters
    ----------
    texts
        Cells by our column.
    table
        Where they stand, and the units that names and rows of it state.
    lists
        Lists of runs beside it.
    given
        ``{our column: unit}`` of ``planner.toml``; these go before what a name says, and
        stand for rows that state none.

    Returns
    -------
    texts, units, said
        Cells in our units where rows differ; the unit of each column that holds another one
        than ours; lines for `sleeveplan check`. A cell whose row states no unit, where
        others do and the project names none, says so and is no number.
    """
    units = {**table.units, **given}
    units = {name: unit for name, unit in units.items() if name in texts}
    said: list[str] = []
    for kind, columns, word in (("length_unit", LENGTHS, "lengths"), ("size_unit", SIZES, "sizes")):
        here = [name for name in columns if name in texts]
        by_row = _by_row(kind, texts, table, lists)
        if by_row is not None and not _are_lengths(kind, texts, table, by_row):
            said.append("column 'unit' names no unit of stations: not used")
            by_row = None
        if by_row is None:
            own = [name for name in here if name not in units]
            stated = {units[name] for name in columns if name in units}
            if own and len(stated) == 1:
                units |= dict.fromkeys(own, stated.pop())
            continue
        unlike = sorted(set(by_row.unique()) - {""})
        own = [name for name in here if name in given or name not in units]
        if len(unlike) == 1 and by_row.ne("").all():
            units |= dict.fromkeys(own, unlike[0])
        elif unlike:
            said.append(f"{word} by row in {', '.join(unlike)}")
            for name in own:
                stated_by = by_row.mask(by_row == "", given.get(name, ""))
                texts = {**texts, name: _scaled(texts[name], stated_by, name)}
                units[name] = OURS[name]
                said += _defaults(name, by_row, given)
    texts, more = _figures(texts, units, table, lists)
    return texts, units, [*_told(texts, units, given), *said, *more]


def _are_lengths(kind: str, texts: Texts, table: TableRows, by_row: pd.Series) -> bool:
    """Tell whether a column called just ``unit`` speaks of stations, and not of figures."""
    if kind != "length_unit" or table.places.proposed.get(kind, "").casefold() not in _BARE:
        return True
    words = set(texts[kind].str.strip().unique()) - {""}
    return (
        bool(words)
        and set(by_row.unique()) - {""} <= {"m", "ft"}
        and "" not in {UNITS.get(word.strip(" .").casefold(), "") for word in words}
    )


def _defaults(name: str, by_row: pd.Series, given: Mapping[str, str]) -> list[str]:
    count = int((by_row == "").sum())
    if not count or name not in given:
        return []
    return [f"{count} {'row' if count == 1 else 'rows'} of {name} in {given[name]} as set"]


def _by_row(
    kind: str, texts: Texts, table: TableRows, lists: Sequence[TableRows]
) -> pd.Series | None:
    """Give the unit of each row, by its own column or by the list of runs."""
    own = texts.get(kind)
    if own is not None:
        return _words(own)
    run = texts.get("inspection_id")
    for other in lists:
        units, ids = other.texts(kind), other.texts("inspection_id")
        if other is table or units is None or ids is None or run is None:
            continue
        known = pd.Series(_words(units).to_numpy(), index=ids.to_numpy())
        known = known[~known.index.duplicated()]
        return run.map(known).fillna("").astype("str")
    return None


def _words(texts: pd.Series) -> pd.Series:
    words = {text: UNITS.get(str(text).strip(" .").casefold(), "") for text in texts.unique()}
    return texts.map(words).astype("str")


def _scaled(cells: pd.Series, unit: pd.Series, name: str) -> pd.Series:
    """Turn cells into our unit, each by its own; what is no number stays as it is."""
    ours = OURS[name]
    style = decimal_style((str(text) for text in cells.unique()), "")
    style = "point" if style == "open" else style
    both = pd.DataFrame({"text": cells, "unit": unit})
    unlike = both.drop_duplicates()
    turned = []
    for text, word in unlike.itertuples(index=False):
        if is_empty(text) or word == ours:
            turned.append(text)
            continue
        # Without a unit it is no length: the text says why, and the row is refused by it.
        value = read_number(text, style) if word else None
        bare = f"{text} (no unit)" if not word else text
        turned.append(bare if value is None else f"{value * factor(word, ours):.12g}")
    found = both.merge(unlike.assign(turned=turned), on=["text", "unit"], how="left")["turned"]
    return pd.Series(found.to_numpy(), cells.index, dtype="str")


def _figures(
    texts: Texts, units: Mapping[str, str], table: TableRows, lists: Sequence[TableRows]
) -> tuple[Texts, list[str]]:
    """Work per cent, first and second value into the two figures, with their units.

    Values of a file in feet or inches are inches: so the forms of that family print them
    (from memory). Elsewhere the unit of a value is that of its code.
    """
    parts = [name for name in ("percent", "v1", "v2") if name in texts]
    if not parts or "q1" in texts:
        return {k: v for k, v in texts.items() if k not in parts}, []
    by_row = _by_row("length_unit", texts, table, lists)
    feet = "ft" in units.values() or "in" in units.values()
    inches = pd.Series(feet, texts[parts[0]].index) if by_row is None else by_row.eq("ft")
    bent = texts["code"].str.casefold().str.startswith("ja") if "code" in texts else ~inches
    values = pd.DataFrame(
        {
            name: _with_percent(texts[name])
            if name == "percent"
            else _with_mm(texts[name], inches & ~bent)
            for name in parts
        }
    )
    filled = values.mask(values == "")
    first = filled.bfill(axis=1).iloc[:, 0].fillna("").astype("str")
    used = filled.notna() & (filled.notna().cumsum(axis=1) == 1)
    second = filled.mask(used).bfill(axis=1).iloc[:, 0].fillna("").astype("str")
    third = int((filled.notna().sum(axis=1) > 2).sum())
    rest = {name: cells for name, cells in texts.items() if name not in parts}
    said = ["values in inches"] if bool(inches.any()) else []
    if third:
        said.append(f"{third} rows with per cent and two values: the second value is not used")
    return {**rest, "q1": first, "q2": second}, said


def _with_percent(cells: pd.Series) -> pd.Series:
    plain = cells.str.fullmatch(r"[<>=\d.,\s-]+").astype(bool)
    return cells.where(~plain | cells.map(is_empty).astype(bool), cells + " %")


def _with_mm(cells: pd.Series, inches: pd.Series) -> pd.Series:
    turned = {}
    for text in cells[inches].unique():
        value = None if is_empty(str(text)) else read_number(str(text))
        turned[text] = str(text) if value is None else f"{value * 25.4:.12g} mm"
    return cells.where(~inches, cells.map(lambda text: turned.get(text, text))).astype("str")


def _told(texts: Texts, units: Mapping[str, str], given: Mapping[str, str]) -> list[str]:
    if "s_m" not in texts:
        return []
    word = units.get("s_m", "")
    if not word:
        return ["stations in m, as no unit is stated"]
    return [f"stations in {shown(word)}" + (" as set" if "s_m" in given else "")]
