"""Coded observations by CSV: rows grouped into camera runs, each row read by the code tables.

A file may name its runs (``inspection_id``), or they are told apart by pipe, start node and
day. What a run's rows say of the run as a whole (nodes, day, length) need stand in one of
them only. Nothing is put on a pipe here; `screening.locate` does that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from planner.contracts import FLAGS, INSPECTIONS, OBSERVATIONS
from planner.errors import Fault, FileError, PlannerError
from planner.ground.codes import SCHEME, UNKNOWN, code_table, read_codes
from planner.inputs.csv_text import CsvRows, read_csv_rows, shown
from planner.inputs.forms import Form, nearest, pick_columns, read_cells, refuse
from planner.inputs.paths import file_fault, hash_of, input_file
from planner.inputs.runs import name_runs, runs_of
from planner.inputs.specs import InspectionSpec
from planner.tables import Table, conform, date, flag, number, text

ZERO_AT = ("wall", "centre", "unknown")
FORM = Table(
    "observation rows",
    "one row of the canonical form: the run it belongs to, and what was coded",
    (
        text("inspection_id", "camera run; blank = told apart by pipe, start node and day"),
        text("pipe_id", "pipe as the file names it"),
        text("start_node", "node the counter started at"),
        text("end_node", "node it ran towards"),
        text("direction", "down or up"),
        date("date", "day of the survey"),
        number("surveyed_m", "m", "counter reading at the end of the run", low=0),
        flag("complete", "the far node was reached"),
        text("zero_at", "zero of the counter"),
        text("laterals_coded", "connections were coded", one_of=("yes", "no", "unknown")),
        number("size_mm", "mm", "height as coded", low=0),
        number("s_m", "m", "counter reading"),
        text("code", "main code"),
        text("char1", "first characterisation"),
        text("char2", "second characterisation"),
        text("q1", "first quantification, as written"),
        text("q2", "second quantification, as written"),
        number("clock_from_h", "clock h", "clock from", low=1, high=12),
        number("clock_to_h", "clock h", "clock to", low=1, high=12),
        text("stretch", "continuous code"),
        text("joint", "A or yes = at a joint"),
        text("remark", "remark"),
        text("photo", "photo reference"),
        text("video", "video reference"),
        number("video_s", "s", "second in the video", low=0),
    ),
)
_AS_WRITTEN = ("code", "char1", "char2", "stretch", "remark", "photo", "video")
_CODED = tuple(FORM.names[FORM.names.index("s_m") :])
# The letters are those of the header fields AAK and ABC of EN 13508-2, from memory.
_DIRECTIONS = {
    "": "unknown", "unknown": "unknown", "c": "unknown",
    "down": "down", "downstream": "down", "a": "down",
    "up": "up", "upstream": "up", "b": "up",
}  # fmt: skip
_ZEROS = {
    "": "", "unknown": "unknown",
    "wall": "wall", "inside": "wall", "a": "wall",
    "centre": "centre", "center": "centre", "b": "centre",
}  # fmt: skip
_JOINTS = {
    "": False, "no": False, "n": False, "false": False, "0": False,
    "a": True, "yes": True, "y": True, "true": True, "1": True, "x": True,
}  # fmt: skip
_WORDS: tuple[tuple[str, dict[str, str] | dict[str, bool], str], ...] = (
    ("direction", _DIRECTIONS, "down or up"),
    ("zero_at", _ZEROS, "wall or centre"),
    ("joint", _JOINTS, "A or yes at a joint, blank elsewhere"),
)


@dataclass(frozen=True)
class Surveys:
    """Camera runs (`INSPECTIONS`), coded rows (`OBSERVATIONS`), faults, flags (`FLAGS`).

    ``read_count`` counts the rows read for each file, ``head_count`` those of them that tell
    of a run and code nothing.
    """

    inspections: pd.DataFrame
    observations: pd.DataFrame
    faults: list[Fault]
    flags: pd.DataFrame
    read_count: dict[str, int]
    head_count: dict[str, int]


@dataclass(frozen=True)
class _FileRows:
    """What one file gave."""

    runs: pd.DataFrame
    rows: pd.DataFrame
    faults: list[Fault]
    flags: list[tuple[str, str]]
    read_count: int
    head_count: int


def read_observations(specs: Sequence[InspectionSpec], root: Path) -> Surveys:
    """Read all CSVs of coded observations.

    Parameters
    ----------
    specs
        What ``planner.toml`` says of each file: columns, units, zero of the counter.
    root
        The project folder.

    Returns
    -------
    Surveys
        ``complete`` where blank is read off the codes: yes with a finish node (BCE) and no
        abandonment (BDC), no with one, else unknown. ``surveyed_m`` where blank is the
        station of the finish node, else the largest. A file that cannot be read, or that is
        given twice, is one fault, and the others are read.
    """
    inspections: list[pd.DataFrame] = []
    observations: list[pd.DataFrame] = []
    faults: list[Fault] = []
    flags: list[tuple[str, str]] = []
    read_count: dict[str, int] = {}
    head_count: dict[str, int] = {}
    taken: dict[str, str] = {}
    seen: dict[str, str] = {}
    for spec in specs:
        for written in (*([spec.file] if spec.file else []), *spec.files):
            name = written.as_posix()
            try:
                path = input_file(root, written)
                first = seen.setdefault(hash_of(path), name)
                if first != name or name in read_count:
                    message = f"holds the same rows as {first}, which is read"
                    raise FileError(message)
                got = _read_file(path, name, spec, taken)
            except (PlannerError, OSError) as error:
                faults.append(file_fault(name, error))
                read_count.setdefault(name, 0)
                continue
            inspections.append(got.runs)
            observations.append(got.rows)
            faults += got.faults
            flags += got.flags
            read_count[name], head_count[name] = got.read_count, got.head_count
    rows = pd.concat([pd.DataFrame(), *observations], ignore_index=True)
    heads = pd.concat([pd.DataFrame(), *inspections], ignore_index=True)
    unlike = sorted(set(flags))
    table = conform([{"step": "inputs", "key": k, "what": w} for k, w in unlike], FLAGS)
    return Surveys(
        conform(heads, INSPECTIONS),
        conform(rows, OBSERVATIONS),
        faults,
        table,
        read_count,
        head_count,
    )


def _read_file(path: Path, name: str, spec: InspectionSpec, taken: dict[str, str]) -> _FileRows:
    if spec.standard.strip().casefold() not in (SCHEME.casefold(), "en13508-2"):
        message = f"{name}: standard '{spec.standard}' is not read; wanted {SCHEME}"
        raise FileError(message)
    raw = read_csv_rows(path, file=name)
    form = Form(FORM, name, as_written=_AS_WRITTEN)
    places, unused, faults = pick_columns(raw, form, spec.columns)
    _want_columns(places, raw, spec)
    flags = _unused_flags(name, unused, places)
    raw, more_flags = _without_clock_zero(raw, places)
    frame, more = read_cells(raw, form, places, spec.units)
    faults = [*raw.faults, *faults, *more]
    frame = _read_words(frame, places, name, faults)
    frame = _refuse_rows(frame, name, faults)
    frame, split = _split_codes(frame, name)
    frame, named = name_runs(frame, name, taken)
    runs, told = runs_of(frame, spec.zero_at, name)
    rows, doubts = _coded(frame[~frame["bare"]], name)
    if raw.read_count == 0:
        told.append((name, "a header and no rows: an empty file"))
    flags += [*more_flags, *split, *named, *told, *doubts]
    return _FileRows(runs, rows, faults, flags, raw.read_count, int(frame["bare"].sum()))


def _want_columns(places: dict[str, int], raw: CsvRows, spec: InspectionSpec) -> None:
    """Refuse a file without stations, codes, or anything that says which pipe they lie on."""
    for name in ("s_m", "code"):
        if name not in places:
            theirs = spec.columns.get(name, name)
            what = f"'{theirs}'" + (f" for {name}" if theirs != name else "")
            found = ", ".join(shown(column) for column in raw.header)
            message = f"{raw.file}: no column {what}{nearest(theirs, raw.header)}; found {found}"
            raise FileError(message)
    if not {"inspection_id", "pipe_id", "start_node"} & set(places):
        message = f"{raw.file}: no column for inspection_id, pipe_id or start_node"
        raise FileError(message)


def _unused_flags(name: str, unused: list[str], places: dict[str, int]) -> list[tuple[str, str]]:
    if not unused:
        return []
    open_names = [column for column in FORM.names if column not in places]
    told = [column + nearest(column, open_names) for column in unused]
    return [(name, f"columns not used: {', '.join(told)}")]


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
        folded = frame[column].str.casefold()
        bad = dict.fromkeys(frame.index[~folded.isin(list(words)).astype(bool)], wanted)
        frame = refuse(frame, bad, column, name, faults)
        values = folded.loc[frame.index].map(words)
        if column == "joint":
            known = values.astype("boolean") if "joint" in places else pd.NA
            frame = frame.assign(at_joint=pd.Series(known, frame.index, dtype="boolean"))
        else:
            frame = frame.assign(**{column: values.astype("str")})
    return frame


def _refuse_rows(frame: pd.DataFrame, name: str, faults: list[Fault]) -> pd.DataFrame:
    """Refuse rows without a code or a run; mark rows that tell of a run and code nothing."""
    blank = pd.DataFrame(
        {
            c: frame[c].isna() if FORM[c].kind == "number" else frame[c].eq("")
            for c in _CODED
            if c != "joint"
        }
    )
    bare = blank.all(axis=1) & ~frame["at_joint"].fillna(value=False).astype(bool)
    frame = frame.assign(bare=bare)
    codeless = frame.index[blank["code"] & ~bare]
    frame = refuse(frame, dict.fromkeys(codeless, "a code"), "code", name, faults)
    nodes = (frame["start_node"] != "") & (frame["end_node"] != "")
    nowhere = (frame["inspection_id"] == "") & (frame["pipe_id"] == "") & ~nodes
    wanted = "an inspection_id, a pipe_id, or both nodes"
    return refuse(frame, dict.fromkeys(frame.index[nowhere], wanted), "pipe_id", name, faults)


def _split_codes(frame: pd.DataFrame, name: str) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Part codes written with their letters, as in BABBA, where no column holds the letters."""
    main = frame["code"].str[:3].str.upper()
    long = frame["code"].str.fullmatch(r"[A-Za-z]{4,5}").astype(bool)
    bare = (frame["char1"] == "") & (frame["char2"] == "")
    joined = long & bare & main.isin(set(code_table()["code"])).astype(bool)
    if not joined.any():
        return frame, []
    parted = {
        "code": frame["code"].where(~joined, frame["code"].str[:3]),
        "char1": frame["char1"].where(~joined, frame["code"].str[3:4]),
        "char2": frame["char2"].where(~joined, frame["code"].str[4:5]),
    }
    what = f"{int(joined.sum())} codes hold their letters: read as code and characterisations"
    return frame.assign(**parted), [(name, what)]


def _coded(frame: pd.DataFrame, name: str) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Give each coded row its id and what the code tables say of it; tell of what they doubt."""
    ids = frame["inspection_id"] + "#" + frame["row"].astype("str")
    rows = frame.assign(observation_id=ids, file=name)
    read = read_codes(rows)
    unknown = read["mechanism"] == UNKNOWN
    note = read["note"].where(
        (read["note"] != "") | ~unknown, "code '" + rows["code"] + "' is not known"
    )
    told = np.flatnonzero(note != "")
    places = "row " + rows["row"].astype("str") + " of " + name + ": " + note
    flags = [(str(ids.iloc[i]), str(places.iloc[i])) for i in told]
    return pd.concat([rows, read.drop(columns="note")], axis=1), flags
