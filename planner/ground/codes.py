"""Coded rows in, mechanisms out: what each row is, how it is used, what its figure says.

The tables are data (`planner/data/codes/`), one row for each code and letter with its
source. A letter that is not known is never taken for the mildest one, a blank figure
stays unknown, and a code that no table holds becomes the mechanism ``unknown``, which
a person must read. Nothing is dropped.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from io import StringIO

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.errors import TableError, UnitError
from planner.units import factor

SCHEME = "EN 13508-2"
SCHEMES = (SCHEME, "PACP family", "UK letter codes")
UNKNOWN = "unknown"
INPUT = ("code", "char1", "char2", "q1", "q2", "stretch")
OUTPUT = ("mechanism", "role", "quantity", "quantity_low", "quantity_high", "detail", "note")

# A joint bent by more is rare, and older files hold sags in mm under this code (practice).
ANGLE_DOUBTFUL_DEG = 15.0
# The crack that a width alone stands for, where the letter is not known: least width [mm].
CRACK_FROM_MM = (("fracture", 5.0), ("crack", 0.5), ("crack_surface", 0.0))

_NUMBER = r"(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_FIGURE = re.compile(
    rf"(?P<op><=|>=|<|>|≤|≥)?\s*(?P<a>{_NUMBER})"
    rf"(?:\s*(?:-|\u2013|\.\.|to)\s*(?P<b>{_NUMBER}))?\s*(?P<unit>%|mm|cm|m|°|deg)?"
)
_THOUSANDS = re.compile(r"\d+,\d{3}")
_SAME_UNIT = {"°": "deg"}
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
    "source",
    "verified",
)

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Figure:
    """What a figure can be: from `low` to `high`; NaN at one end is open, at both unknown."""

    low: float
    high: float
    note: str = ""


NOT_KNOWN = Figure(np.nan, np.nan)


@lru_cache(maxsize=1)
def roles() -> dict[str, str]:
    """Give the role of every mechanism: damage, condition, flag, place or record."""
    table = _packaged("mechanisms.csv")
    return dict(zip(table["mechanism"], table["role"], strict=True))


def mechanisms_of(*wanted: str) -> tuple[str, ...]:
    """Give the mechanisms of the `wanted` roles, in order of name."""
    return tuple(sorted(name for name, role in roles().items() if role in wanted))


def code_table() -> pd.DataFrame:
    """Give the table of EN 13508-2 as text: one row for each code and letter, ``*`` the rest."""
    return _packaged("en13508-2.csv").copy()


@lru_cache(maxsize=4096)
def read_figure(text: str, unit: str = "") -> Figure:
    """Read one quantification.

    Parameters
    ----------
    text
        As written: ``12``, ``2,5``, ``<5``, ``>50``, ``10-15``, ``3 cm``, blank.
    unit
        Unit the code asks for: mm, %, deg or "". A length in another unit is turned
        into it; any other unit makes the figure unreadable.

    Returns
    -------
    figure
        Unknown with a note saying why where the text cannot be read.

    Examples
    --------
    >>> read_figure("10-15", "%")
    Figure(low=10.0, high=15.0, note='')
    >>> read_figure("<5", "mm")
    Figure(low=0.0, high=5.0, note='')
    """
    plain = text.strip().lower()
    if not plain:
        return NOT_KNOWN
    found = _FIGURE.fullmatch(plain)
    if found is None:
        return _unreadable(text, "no figure")
    if any(part and _THOUSANDS.fullmatch(part) for part in found.group("a", "b")):
        return _unreadable(text, "a comma before three digits may part thousands or decimals")
    try:
        scale = _scale(found["unit"] or "", unit)
    except UnitError:
        return _unreadable(text, f"wants {unit or 'no unit'}")
    return _interval(text, found, scale)


def _interval(text: str, found: re.Match[str], scale: float) -> Figure:
    first = float(found["a"].replace(",", ".")) * scale
    if found["b"] is not None:
        second = float(found["b"].replace(",", ".")) * scale
        if found["op"] or second < first:
            return _unreadable(text, "no class from low to high")
        return Figure(first, second)
    if found["op"] in ("<", "<=", "≤"):
        return Figure(0.0, first)
    return Figure(first, np.nan if found["op"] else first)


def _scale(found: str, wanted: str) -> float:
    found = _SAME_UNIT.get(found, found)
    if not found or found == wanted:
        return 1.0
    if wanted != "mm":
        message = f"'{found}' where {wanted} is wanted"
        raise UnitError(message)
    return factor(found, wanted)


def _unreadable(text: str, why: str) -> Figure:
    return Figure(np.nan, np.nan, f"figure '{text.strip()}' not read: {why}")


def detect_scheme(codes: pd.Series) -> str:
    """Name the scheme that most of the codes of a file belong to; "" if they tell none."""
    main = codes.str.strip().str[:3].str.upper()
    return SCHEME if main.isin(set(code_table()["code"])).mean() >= 0.5 else ""


def read_codes(frame: pd.DataFrame, scheme: str = SCHEME) -> pd.DataFrame:  # noqa: ARG001
    """Say of each coded row what it is, how it is used and what its figure can be.

    Parameters
    ----------
    frame
        Text columns code, char1, char2, q1, q2, stretch as written; ``""`` is blank.

    Returns
    -------
    read
        On the index of `frame`: mechanism, role, quantity (the span column the figure
        fills, "" if none), quantity_low, quantity_high (NaN at both = unknown, NaN at
        the high end alone = open upwards), detail, note ("" or what is doubtful). The
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
    written = frame[list(INPUT)].fillna("").astype(str)
    unlike = written.drop_duplicates()
    unlike = pd.concat([unlike, pd.DataFrame(_read_unlike(unlike), unlike.index)], axis=1)
    read = written.merge(unlike, on=list(INPUT), how="left")
    read.index = frame.index
    out = read[list(OUTPUT)]
    texts = [name for name in OUTPUT if not name.startswith("quantity_")]
    return out.astype(dict.fromkeys(texts, "str"))


def _read_unlike(rows: pd.DataFrame) -> dict[str, list[object]]:
    """Read rows that all differ: in a real file there are few of them."""
    table = _by_letter()
    known = {code for code, _ in table}
    second = _second_letters()
    columns: dict[str, list[object]] = {name: [] for name in OUTPUT}
    for code, char1, char2, q1, q2, stretch in rows[list(INPUT)].itertuples(index=False):
        letters = tuple(str(text).strip().upper() for text in (code, char1, char2))
        entry = table.get(letters[:2]) or table.get((letters[0], "*"))
        if entry is None:
            read = _nobody_knows(letters, known)
        else:
            read = _read_one(entry, letters, (q1, q2), str(stretch).strip())
            read["detail"] = entry["detail"] or second.get((letters[0], letters[2]), "")
        for name in OUTPUT:
            columns[name].append(read[name])
    return columns


def _nobody_knows(letters: tuple[str, ...], known: set[str]) -> dict[str, object]:
    if letters[0] in known:
        note = f"letter '{letters[1]}' of {letters[0]} is not in the table"
    else:
        note = f"code '{letters[0]}' is not in the table of {SCHEME}"
    return {
        "mechanism": UNKNOWN,
        "role": roles()[UNKNOWN],
        "quantity": "",
        "quantity_low": np.nan,
        "quantity_high": np.nan,
        "detail": "",
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
    figure = read_figure(first, entry["unit"])
    notes = [figure.note] if figure.note else []
    if quantity:
        figure = _with_second(figure, read_figure(second, entry["unit"]), notes)
        figure = _plausible(figure, quantity, entry["unit"], notes)
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
    """Give a blank figure the class of its letter, or say that figure and letter differ."""
    if not (entry["blank_low"] or entry["blank_high"]):
        return figure
    low = float(entry["blank_low"] or "nan")
    high = float(entry["blank_high"] or "nan")
    if np.isnan(figure.low):
        return Figure(low, high)
    top = np.nan_to_num(figure.high, nan=np.inf)
    if figure.low > np.nan_to_num(high, nan=np.inf) or top < low:
        notes.append("figure and letter differ: the figure counts")
    return figure


def _crack_by_width(figure: Figure) -> str:
    """Name the worst crack that a width can stand for; unknown without one."""
    if np.isnan(figure.low):
        return UNKNOWN
    top = np.nan_to_num(figure.high, nan=np.inf)
    return next(name for name, least in CRACK_FROM_MM if top >= least)


@lru_cache(maxsize=1)
def _by_letter() -> dict[tuple[str, ...], dict[str, str]]:
    table = _packaged("en13508-2.csv")
    rows = table[list(_TABLE_COLUMNS)].to_dict("records")
    return {
        (str(row["code"]), str(row["char1"])): {str(k): str(v) for k, v in row.items()}
        for row in rows
    }


@lru_cache(maxsize=1)
def _second_letters() -> dict[tuple[str, str], str]:
    table = _packaged("en13508-2_char2.csv")
    return dict(zip(zip(table["code"], table["char2"], strict=True), table["detail"], strict=True))


@lru_cache(maxsize=4)
def _packaged(name: str) -> pd.DataFrame:
    text = resources.files("planner").joinpath(f"data/codes/{name}").read_text("utf-8")
    return pd.read_csv(StringIO(text), dtype=str, keep_default_na=False)
