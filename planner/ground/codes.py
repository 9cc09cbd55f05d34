"""Coded rows in, mechanisms out: what each row is, how it is used, what its figure says.

The tables are data (`planner/data/codes/`), one row for each code and letter with its
source. A letter that is not known is never taken for the mildest one, a blank figure
stays unknown, and a code that no table holds becomes the mechanism ``unknown``, which
a person must read. Nothing is dropped.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from io import StringIO

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.distinct import first_rows, groups_of, mapped, values_at
from planner.errors import TableError
from planner.ground.figures import NOT_KNOWN, Figure, height_pct_of, read_figure

SCHEME = "EN 13508-2"
PACP = "PACP family"
UK = "UK letter codes"
TABLES = {SCHEME: "en13508-2.csv", PACP: "pacp.csv", UK: "uk.csv"}
SCHEMES = tuple(TABLES)
UNKNOWN = "unknown"
INPUT = ("code", "char1", "char2", "q1", "q2", "stretch")
OUTPUT = (
    "mechanism", "role", "quantity", "quantity_low", "quantity_high", "detail",
    "coded_joint", "shows", "note",
)  # fmt: skip
# A scheme is told by its codes where so many of a file's codes are its own, and so many
# more than of any other.
_MOST, _MORE = 0.5, 0.1

# A joint bent by more is rare, and older files hold sags in mm under this code (practice).
ANGLE_DOUBTFUL_DEG = 15.0
# The crack that a width alone stands for, where the letter is not known: least width [mm].
CRACK_FROM_MM = (("fracture", 5.0), ("crack", 0.5), ("crack_surface", 0.0))

_TABLE_COLUMNS = (
    "code",
    "char1",
    "mechanism",
    "quantity",
    "figure",
    "unit",
    "blank_low",
    "blank_high",
    "stretch_mechanism",
    "stretch_quantity",
    "detail",
    "at_joint",
    "shows",
    "source",
    "verified",
)

Numbers = npt.NDArray[np.float64]


@lru_cache(maxsize=1)
def roles() -> dict[str, str]:
    """Give the role of every mechanism: damage, condition, flag, place or record."""
    table = _packaged("mechanisms.csv")
    return dict(zip(table["mechanism"], table["role"], strict=True))


def mechanisms_of(*wanted: str) -> tuple[str, ...]:
    """Give the mechanisms of the `wanted` roles, in order of name."""
    return tuple(sorted(name for name, role in roles().items() if role in wanted))


def code_table(scheme: str = SCHEME) -> pd.DataFrame:
    """Give the table of a scheme as text: one row for each code and letter, ``*`` the rest."""
    return _packaged(TABLES[scheme]).copy()


def detect_scheme(codes: pd.Series) -> str:
    """Name the scheme of a whole file by its codes; '' where that is not plain.

    A scheme is never guessed for one row: B is a broken pipe in one of them and a letter of
    the other, IS a stain and ISSR a seal.
    """
    unlike = codes.str.strip().str.upper().value_counts()
    unlike = unlike[unlike.index != ""]
    if unlike.empty:
        return ""
    shares = {}
    for scheme in TABLES:
        known = set(code_table(scheme)["code"])
        mine = unlike.index.isin(known)
        if scheme == SCHEME:
            mine |= unlike.index.str[:3].isin(known) & (unlike.index.str.len() <= 5)
        shares[scheme] = float(unlike[mine].sum() / unlike.sum())
    best, second = sorted(shares.values(), reverse=True)[:2]
    if best < _MOST or best - second < _MORE:
        return ""
    return max(shares, key=lambda name: shares[name])


def read_codes(frame: pd.DataFrame, scheme: str = SCHEME) -> pd.DataFrame:
    """Say of each coded row what it is, how it is used and what its figure can be.

    Parameters
    ----------
    frame
        Text columns code, char1, char2, q1, q2, stretch as written; ``""`` is blank.
    scheme
        One of `SCHEMES`.

    Returns
    -------
    read
        On the index of `frame`: mechanism, role, quantity (the span column the figure
        fills, "" if none), quantity_low, quantity_high (NaN at both = unknown, NaN at
        the high end alone = open upwards), detail, coded_joint ("yes" where the code itself says
        so), shows (soil_visible, void_visible or at_lateral in the code itself, '+' between),
        note ("" or what is doubtful). The
        figures of a lateral (height), of a size change and of a unit length change
        [mm] stand there too, with quantity "".

    Raises
    ------
    TableError
        If a column is missing.

    References
    ----------
    EN 13508-2:2003+A1:2011. Letters as in the code tables of Kompetenzzentrum Wasser
    Berlin (MIT); crack width by letter, and a sag as a stretch of water level, are
    German rules (DWA code texts, 2025).
    """
    missing = [name for name in INPUT if name not in frame.columns]
    if missing:
        message = f"coded rows: column is missing: {', '.join(missing)}"
        raise TableError(message)
    written = frame[list(INPUT)].fillna("").astype("str")
    # Of a stretch it only counts that there is one: its number would part alike rows.
    written = written.assign(stretch=mapped(written["stretch"], _marked))
    groups, count = groups_of([written[name] for name in INPUT])
    known = _read_unlike(written.iloc[first_rows(groups, count)], scheme)
    out = {
        name: values_at(values, groups, "float64" if name.startswith("quantity_") else "str")
        for name, values in known.items()
    }
    return pd.DataFrame(out, columns=list(OUTPUT)).set_axis(frame.index)


def _marked(stretch: str) -> str:
    return "A" if stretch.strip() else ""


def _read_unlike(rows: pd.DataFrame, scheme: str) -> dict[str, list[object]]:
    """Read rows that all differ: in a real file there are few of them."""
    table = _by_letter(scheme)
    known = {code for code, _ in table}
    second = _second_letters() if scheme == SCHEME else {}
    columns: dict[str, list[object]] = {name: [] for name in OUTPUT}
    for code, char1, char2, q1, q2, stretch in rows[list(INPUT)].itertuples(index=False):
        letters = tuple(str(text).strip().upper() for text in (code, char1, char2))
        entry = table.get(letters[:2]) or table.get((letters[0], "*"))
        if entry is None:
            read = _nobody_knows(letters, known, scheme)
        else:
            # Only the norm's older files write a class as two figures.
            written = (str(q1), str(q2) if scheme == SCHEME else "")
            read = _read_one(entry, letters, written, str(stretch).strip())
            read["detail"] = entry["detail"] or second.get((letters[0], letters[2]), "")
            read["coded_joint"], read["shows"] = entry["at_joint"], entry["shows"]
        for name in OUTPUT:
            columns[name].append(read[name])
    return columns


def _nobody_knows(letters: tuple[str, ...], known: set[str], scheme: str) -> dict[str, object]:
    if letters[0] in known:
        note = f"letter '{letters[1]}' of {letters[0]} is not in the table"
    else:
        note = f"code '{letters[0]}' is not in the table of {scheme}"
    return {
        "mechanism": UNKNOWN,
        "role": roles()[UNKNOWN],
        "quantity": "",
        "quantity_low": np.nan,
        "quantity_high": np.nan,
        "detail": "",
        "coded_joint": "",
        "shows": "",
        "note": note,
    }


def _read_one(
    entry: dict[str, str], letters: tuple[str, ...], written: tuple[str, str], stretch: str
) -> dict[str, object]:
    mechanism, quantity = entry["mechanism"], entry["quantity"]
    if stretch and entry["stretch_mechanism"]:
        mechanism, quantity = entry["stretch_mechanism"], entry["stretch_quantity"]
    figure, notes = _figure_of(entry, written, quantity)
    if entry["char1"] == "*" and mechanism == UNKNOWN:
        notes.append(f"letter '{letters[1]}' of {letters[0]} is not known")
        if quantity == "crack_mm":
            mechanism = _crack_by_width(figure)
    figure = _filled(entry, figure, notes)
    return {
        "mechanism": mechanism,
        "role": roles()[mechanism],
        "quantity": quantity,
        "quantity_low": figure.low,
        "quantity_high": figure.high,
        "note": "; ".join(notes),
    }


def _figure_of(
    entry: dict[str, str], written: tuple[str, str], quantity: str
) -> tuple[Figure, list[str]]:
    """Read the figure that the code asks for, and say what is doubtful in it."""
    first, second = (text.strip() for text in written)
    if not entry["figure"]:
        read = roles()[entry["mechanism"]] in ("damage", "condition") and first
        return NOT_KNOWN, [f"figure '{first}' has no meaning here"] if read else []
    unit = entry["unit"].removesuffix(" section")
    figure = read_figure(first, unit)
    notes = [figure.note] if figure.note else []
    if quantity:
        figure = _with_second(figure, read_figure(second, unit), notes)
        figure = _plausible(figure, quantity, unit, notes)
        if unit != entry["unit"] and not np.isnan(figure.low):
            figure = Figure(height_pct_of(figure.low), height_pct_of(figure.high))
            notes.append("share of the section turned into share of the height, as in a circle")
    return figure, notes


def _with_second(first: Figure, second: Figure, notes: list[str]) -> Figure:
    """Take a second figure for the other end of a class, as older Dutch files write it."""
    if np.isnan(first.low) or np.isnan(second.low) or second.high <= 0:
        return first
    if second.low < first.low or first.low != first.high or second.low != second.high:
        notes.append("second figure not used")
        return first
    if second.low == first.low:
        return first
    notes.append("two figures read as a class from the first to the second")
    return Figure(first.low, second.high)


def _plausible(figure: Figure, quantity: str, unit: str, notes: list[str]) -> Figure:
    if np.isnan(figure.low):
        return figure
    if figure.high == 0.0 and quantity not in ("water_pct", "sag_pct"):
        notes.append("a figure of 0 read as not measured")
        return NOT_KNOWN
    if unit == "%" and max(figure.low, np.nan_to_num(figure.high)) > 100.0:
        notes.append("more than 100 %: unit doubtful, figure not used")
        return NOT_KNOWN
    top = np.nan_to_num(figure.high, nan=figure.low)
    if quantity == "angle_deg" and top > ANGLE_DOUBTFUL_DEG and unit == "deg":
        notes.append(f"more than {ANGLE_DOUBTFUL_DEG:g} degrees: unit doubtful, figure not used")
        return NOT_KNOWN
    return figure


def _filled(entry: dict[str, str], figure: Figure, notes: list[str]) -> Figure:
    """Give a blank figure the class of its letter, or say what of the two is used, and why."""
    if not (entry["blank_low"] or entry["blank_high"]):
        return figure
    low = float(entry["blank_low"] or "nan")
    high = float(entry["blank_high"] or "nan")
    if np.isnan(figure.low):
        return Figure(low, high)
    top = np.nan_to_num(figure.high, nan=np.inf)
    if figure.low > np.nan_to_num(high, nan=np.inf) or top < low:
        unit = entry["unit"]
        notes.append(
            f"figure and letter differ: {_said(figure, unit)} is used, for it was measured, where "
            f"letter {entry['char1']} of {entry['code']} stands for "
            f"{_said(Figure(low, high), unit)}; the kind, {entry['mechanism']}, is the letter's"
        )
    return figure


def _said(figure: Figure, unit: str) -> str:
    """Write a figure or a class as a person reads it: ``4 mm``, ``0.5 to 1 mm``, ``up to 1 mm``."""
    low, high = figure.low, figure.high
    if np.isnan(high):
        return f"{low:g} {unit} or more"
    if low == 0.0 and high > 0.0:
        return f"up to {high:g} {unit}"
    return f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"


def _crack_by_width(figure: Figure) -> str:
    """Name the worst crack that a width can stand for; unknown without one."""
    if np.isnan(figure.low):
        return UNKNOWN
    top = np.nan_to_num(figure.high, nan=np.inf)
    return next(name for name, least in CRACK_FROM_MM if top >= least)


@lru_cache(maxsize=8)
def _by_letter(scheme: str) -> dict[tuple[str, ...], dict[str, str]]:
    table = _packaged(TABLES[scheme]).reindex(columns=list(_TABLE_COLUMNS), fill_value="")
    rows = table.to_dict("records")
    return {
        (str(row["code"]), str(row["char1"])): {str(k): str(v) for k, v in row.items()}
        for row in rows
    }


@lru_cache(maxsize=1)
def _second_letters() -> dict[tuple[str, str], str]:
    table = _packaged("en13508-2_char2.csv")
    return dict(zip(zip(table["code"], table["char2"], strict=True), table["detail"], strict=True))


@lru_cache(maxsize=16)
def _packaged(name: str) -> pd.DataFrame:
    text = resources.files("planner").joinpath(f"data/codes/{name}").read_text("utf-8")
    return pd.read_csv(StringIO(text), dtype=str, keep_default_na=False)
