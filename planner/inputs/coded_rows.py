"""Rows of one coded file read cell by cell: numbers, words, codes and their letters.

Every form of file comes here as a `CodedFile`; what cannot be read loses its row, with one
fault each.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.arrays import unknown
from planner.distinct import mapped, parted, values_at
from planner.errors import NO_COLUMN, Fault, FileError, shown
from planner.ground.codes import SCHEME, UNKNOWN, code_table, detect_scheme, read_codes
from planner.inputs.coded import FORM, CodedFile
from planner.inputs.column_values import STRETCH_MARK, Candidate, candidates_of
from planner.inputs.csv_text import CsvRows
from planner.inputs.forms import Form, nearest, pick_columns, read_cells, refuse

ZERO_AT = ("wall", "centre", "unknown")
_AS_WRITTEN = ("code", "char1", "char2", "stretch", "remark", "photo", "video")
_CODED = tuple(FORM.names[FORM.names.index("s_m") :])
# A, B and C are those of the header fields AAK and ABC of EN 13508-2, from memory; O and U
# (with and against the flow) those of the federal German lists (BFR Abwasser, table A-7-321).
_DIRECTIONS = {
    "": "unknown", "unknown": "unknown", "c": "unknown",
    "down": "down", "downstream": "down", "a": "down", "d": "down", "o": "down",
    "up": "up", "upstream": "up", "b": "up", "u": "up",
}  # fmt: skip
_ZEROS = {
    "": "", "unknown": "unknown",
    "wall": "wall", "inside": "wall", "a": "wall",
    "centre": "centre", "center": "centre", "b": "centre",
}  # fmt: skip
_STRETCH_LETTER = {"S": "A", "F": "B"}
_PASTE = "look, and write under [inspections.columns] of this file"
_LONG_CODE = re.compile(r"[A-Za-z]{4,5}")
_JOINTS = {
    "": False, "no": False, "n": False, "false": False, "0": False,
    "a": True, "j": True, "yes": True, "y": True, "true": True, "1": True, "x": True,
}  # fmt: skip
_WORDS: tuple[tuple[str, dict[str, str] | dict[str, bool], str], ...] = (
    ("direction", _DIRECTIONS, "down or up"),
    ("zero_at", _ZEROS, "wall or centre"),
    ("joint", _JOINTS, "A or yes at a joint, blank elsewhere"),
)


@dataclass(frozen=True)
class CodedRows:
    """What one file gave: typed rows, faults, pairs of key and doubt, and the books.

    ``frame`` has the columns of `FORM`, ``row``, ``file``, ``scheme``, ``zero_given`` (the
    zero of the counter where no row says it), ``bare`` (the row tells of a run and codes
    nothing) and what the code tables say (`codes.OUTPUT`). ``lists_runs`` says that the
    file has neither stations nor codes: it tells of runs whose rows another file holds;
    ``by_ids`` that the ids of the network had a say in it.
    """

    file: str
    frame: pd.DataFrame
    faults: list[Fault]
    read_count: int
    flags: list[tuple[str, str]] = field(default_factory=list)
    said: tuple[str, ...] = ()
    lists_runs: bool = False
    by_ids: bool = False


def read_rows(
    coded: CodedFile,
    columns: Mapping[str, str],
    units: Mapping[str, str],
    pipe_ids: Collection[str] = (),
) -> CodedRows:
    """Read the cells of one file.

    Parameters
    ----------
    coded
        Its rows as text.
    columns
        ``{our column: their column}`` where the reader has not named them.
    units
        ``{our column: unit of the file}``; what the reader has found out goes before.
    pipe_ids
        Ids of the network, by which a column of pipes can be proposed.

    Raises
    ------
    FileError
        If a column is missing without which no row can be placed.
    """
    raw, name = coded.rows, coded.rows.file
    form = Form(FORM, name, as_written=_AS_WRITTEN)
    places, unused, faults = pick_columns(raw, form, columns)
    could = _candidates(raw, places, pipe_ids)
    _want_columns(places, raw, columns, could)
    flags = [*coded.flags, *_unused_flags(name, unused, places)]
    flags += [(name, f"{_PASTE} {one.line}  # {one.why}") for one in could]
    raw, more_flags = _without_clock_zero(raw, places)
    all_units = {**units, **coded.units}
    of_figures = {name: all_units.pop(name, "") for name in ("q1", "q2")}
    frame, more = read_cells(raw, form, places, all_units)
    frame = _with_units(frame, of_figures)
    faults = [*raw.faults, *faults, *more]
    frame = _read_words(frame, places, name, faults)
    frame = _refuse_rows(frame, name, faults, _wanted_pipe(places, could))
    frame = frame.assign(stretch=_stretches(frame["stretch"]))
    frame, scheme, told = _in_scheme(frame, coded.scheme, name)
    frame = frame.assign(file=name, scheme=scheme, zero_given=coded.zero_at)
    if raw.read_count == 0:
        told.append((name, "a header and no rows: an empty file"))
    lists_runs = not {"s_m", "code"} & set(places)
    codes = "no codes: a list of runs" if lists_runs else f"codes of {scheme}"
    said = tuple(f"{name}: {line}; {codes}" for line in coded.said)
    flags += [*more_flags, *told]
    by_ids = "pipe_id" not in places  # which column it could be is told by them
    return CodedRows(name, frame, faults, raw.read_count, flags, said, lists_runs, by_ids)


def _with_units(frame: pd.DataFrame, units: Mapping[str, str]) -> pd.DataFrame:
    """Write the unit of a column of figures behind its bare numbers: ``2`` becomes ``2 in``."""
    for name, unit in units.items():
        if unit and unit != "mm":
            bare = frame[name].str.fullmatch(r"\s*[<>]?\s*\d+(?:[.,]\d+)?\s*").astype(bool)
            frame[name] = frame[name].where(~bare, frame[name].str.strip() + f" {unit}")
    return frame


def _stretches(marks: pd.Series) -> pd.Series:
    """Write the marks of a stretch alike: ``S01`` and ``a01`` as ``A1``; others stay."""

    def alike(mark: str) -> str:
        parts = STRETCH_MARK.fullmatch(mark.strip())
        letter = parts[1].upper() if parts else ""
        return _STRETCH_LETTER.get(letter, letter) + parts[2] if parts else mark

    return mapped(marks, alike)


def _in_scheme(
    frame: pd.DataFrame, scheme: str, name: str
) -> tuple[pd.DataFrame, str, list[tuple[str, str]]]:
    """Read the codes by the tables of the file's scheme; its codes tell it if it does not."""
    flags: list[tuple[str, str]] = []
    coded = ~frame["bare"]
    scheme = scheme or detect_scheme(frame.loc[coded, "code"])
    if not scheme:
        scheme = SCHEME
        if coded.any():
            what = f"the codes do not tell their scheme: read as {SCHEME}; state the scheme"
            flags.append((name, what))
    frame, split = _split_codes(frame, name) if scheme == SCHEME else (frame, [])
    frame = frame.join(read_codes(frame, scheme))
    frame["at_joint"] = frame["at_joint"].mask(frame["coded_joint"] == "yes", other=True)
    return frame, scheme, [*flags, *split]


def _candidates(
    raw: CsvRows, places: Mapping[str, int], pipe_ids: Collection[str]
) -> list[Candidate]:
    """Find columns that are not taken and could be by their values."""
    taken = set(places.values())
    left = {n: raw.cells[i] for i, n in enumerate(raw.header) if i not in taken and n}
    wanted = [column for column in ("pipe_id", "date", "stretch") if column not in places]
    return candidates_of(left, wanted, pipe_ids)


def _wanted_pipe(places: Mapping[str, int], could: list[Candidate]) -> str:
    """Ask for the column of pipes where rows can have no pipe without it; '' where they can."""
    if {"inspection_id", "pipe_id"} & set(places) or {"start_node", "end_node"} <= set(places):
        return ""
    fit = [str(one) for one in could if one.ours == "pipe_id"]
    if fit:
        return f"candidates: {', '.join(fit)}"
    return 'candidates by values: none; write pipe_id = "..." under [inspections.columns]'


def _want_columns(
    places: dict[str, int], raw: CsvRows, columns: Mapping[str, str], could: list[Candidate]
) -> None:
    """Refuse a file without stations, codes, or anything that says which pipe they lie on.

    A list of runs has neither station nor code; its rows are heads.
    """
    if "inspection_id" in places and not {"s_m", "code"} & set(places):
        return
    for name in ("s_m", "code"):
        if name not in places:
            theirs = columns.get(name, name)
            what = f"'{theirs}'" + (f" for {name}" if theirs != name else "")
            found = ", ".join(shown(column) for column in raw.header)
            message = f"{raw.file}: no column {what}{nearest(theirs, raw.header)}; found {found}"
            raise FileError(message)
    if not {"inspection_id", "pipe_id", "start_node"} & set(places):
        message = f"{raw.file}: no column for inspection_id, pipe_id or start_node"
        fit = [f"{one.line} ({one.why})" for one in could if one.ours == "pipe_id"]
        message += f"; {_PASTE} {' or '.join(fit)}" if fit else ""
        raise FileError(message)


def _unused_flags(name: str, unused: list[str], places: dict[str, int]) -> list[tuple[str, str]]:
    if not unused:
        return []
    open_names = [column for column in FORM.names if column not in places]
    told = [column + nearest(column, open_names) for column in unused]
    line = f"columns not used: {', '.join(told)}; to use one, name it in [inspections.columns]"
    return [(name, line)]


def _without_clock_zero(
    raw: CsvRows, places: dict[str, int]
) -> tuple[CsvRows, list[tuple[str, str]]]:
    """Blank a clock of 0: the clock runs from 1 to 12, and lists write 0 for none."""
    cells = raw.cells.copy()
    count = 0
    for name in ("clock_from_h", "clock_to_h"):
        if name in places:
            place = places[name]
            zero = cells[place].str.strip().isin(["0", "00", "0.0", "0,0"])
            cells[place] = cells[place].where(~zero, "")
            count += int(zero.sum())
    told = [(raw.file, f"{count} clock positions of 0 taken as not given")] if count else []
    return replace(raw, cells=cells), told


def _read_words(
    frame: pd.DataFrame, places: dict[str, int], name: str, faults: list[Fault]
) -> pd.DataFrame:
    """Turn the words for direction, zero and joint into ours; other words lose the row."""
    for column, words, wanted in _WORDS:
        codes, uniques = parted(frame[column])
        folded = [text.casefold() for text in uniques]
        known = np.array([text in words for text in folded], dtype=bool)
        if not known.all():
            others = frame.index[~known[codes]]
            frame = refuse(frame, dict.fromkeys(others, wanted), column, name, faults)
            codes = codes[known[codes]]
        values = [words.get(text) for text in folded]
        if column != "joint":
            texts = values_at(["" if one is None else one for one in values], codes, "str")
            frame = frame.assign(**{column: texts.array})
        elif column in places:
            frame = frame.assign(at_joint=values_at(values, codes, "boolean").array)
        else:
            frame = frame.assign(at_joint=unknown("flag", len(frame)))
    return frame


def _refuse_rows(
    frame: pd.DataFrame, name: str, faults: list[Fault], wanted_pipe: str
) -> pd.DataFrame:
    """Refuse rows without a code or a run; mark rows that tell of a run and code nothing.

    `wanted_pipe` asks for the column of pipes, '' where the file has what it needs.
    """
    codeless = _is_blank(frame, "code")
    bare = codeless & ~frame["at_joint"].fillna(value=False).to_numpy(dtype=bool)
    for column in _CODED:
        if column not in ("joint", "code") and bare.any():
            bare &= _is_blank(frame, column)
    frame = frame.assign(bare=bare)
    without = frame.index[codeless & ~bare]
    frame = refuse(frame, dict.fromkeys(without, "a code"), "code", name, faults)
    nodes = (frame["start_node"] != "") & (frame["end_node"] != "")
    nowhere = (frame["inspection_id"] == "") & (frame["pipe_id"] == "") & ~nodes
    if wanted_pipe:
        rows = frame.loc[nowhere, "row"].astype(int).tolist()
        faults += [Fault(name, row, "pipe_id", NO_COLUMN, wanted_pipe) for row in rows]
        return frame[~nowhere]
    wanted = "an inspection_id, a pipe_id, or both nodes"
    return refuse(frame, dict.fromkeys(frame.index[nowhere], wanted), "pipe_id", name, faults)


def _is_blank(frame: pd.DataFrame, column: str) -> npt.NDArray[np.bool_]:
    values = frame[column]
    blank = values.isna() if FORM[column].kind == "number" else values.eq("")
    return blank.to_numpy(dtype=bool)


def _split_codes(frame: pd.DataFrame, name: str) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Part codes written with their letters, as in BABBA, where no column holds the letters."""
    known = set(code_table()["code"])

    def is_long(code: str) -> bool:
        return bool(_LONG_CODE.fullmatch(code)) and code[:3].upper() in known

    long = mapped(frame["code"], is_long, "bool")
    joined = long & (frame["char1"] == "") & (frame["char2"] == "")
    if not joined.any():
        return frame, []
    letters = {
        "code": frame["code"].where(~joined, frame["code"].str[:3]),
        "char1": frame["char1"].where(~joined, frame["code"].str[3:4]),
        "char2": frame["char2"].where(~joined, frame["code"].str[4:5]),
    }
    what = f"{int(joined.sum())} codes hold their letters: read as code and characterisations"
    return frame.assign(**letters), [(name, what)]


def doubts_of(rows: pd.DataFrame) -> list[tuple[str, str]]:
    """Tell of each coded row what the code tables doubt.

    Parameters
    ----------
    rows
        Coded rows with ``observation_id``, as `read_rows` gives them.
    """
    unlike = ((rows["mechanism"] == UNKNOWN) | (rows["note"] != "")).to_numpy(dtype=bool)
    told = rows[unlike]
    note = told["note"].where(told["note"] != "", "code '" + told["code"] + "' is not known")
    places = "row " + told["row"].astype("str") + " of " + told["file"] + ": " + note
    return list(zip(told["observation_id"].astype(str), places.astype(str), strict=True))
