"""Coded observations of any form: files grouped, rows told apart into camera runs.

A file may name its runs (``inspection_id``), or they are told apart by pipe, start node and
day. What a run's rows say of the run as a whole (nodes, day, length) need stand in one of
them only, or in a list of runs beside them. Nothing is put on a pipe here;
`screening.locate` does that.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from planner.contracts import FLAGS, INSPECTIONS, OBSERVATIONS
from planner.errors import Fault, FileError, PlannerError, shown
from planner.inputs.coded import FORM, CodedFile
from planner.inputs.coded_rows import ZERO_AT, CodedRows, doubts_of, read_rows
from planner.inputs.copied import Copy, mark_of
from planner.inputs.paths import file_fault, hash_of, input_file
from planner.inputs.runs import access_points, name_runs, runs_of
from planner.inputs.specs import InspectionSpec
from planner.inputs.standards import READERS, TABLE, form_of, scheme_of
from planner.inputs.table_rows import TableRows
from planner.inputs.tabular import coded_file, open_tables
from planner.marks import rows_digest
from planner.tables import Table, conform

__all__ = ["FORM", "ZERO_AT", "Surveys", "read_observations"]


@dataclass(frozen=True)
class Surveys:
    """Camera runs (`INSPECTIONS`), coded rows (`OBSERVATIONS`), faults, flags (`FLAGS`).

    ``read_count`` counts the rows read for each file, ``head_count`` those of them that tell
    of a run and code nothing. ``said`` holds a line for each file: its form, how it is
    written, whose codes it holds.
    """

    inspections: pd.DataFrame
    observations: pd.DataFrame
    faults: list[Fault]
    flags: pd.DataFrame
    read_count: dict[str, int]
    head_count: dict[str, int]
    said: list[str]


@dataclass(frozen=True)
class ReadFile:
    """What a file gave, or files that belong together; as `Surveys`, of these alone.

    ``told`` are pairs of key and doubt. ``by_ids`` says that the ids of the network had a
    say in it.
    """

    inspections: pd.DataFrame
    observations: pd.DataFrame
    faults: list[Fault]
    told: list[tuple[str, str]]
    read_count: dict[str, int]
    head_count: dict[str, int]
    said: list[str]
    by_ids: bool


@dataclass
class _Gathered:
    """What is gathered while the files are read; ``taken`` and ``seen`` tell doubles apart."""

    read: list[ReadFile] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    read_count: dict[str, int] = field(default_factory=dict)
    taken: dict[str, str] = field(default_factory=dict)
    seen: dict[str, str] = field(default_factory=dict)

    def lose(self, name: str, error: Exception) -> None:
        """Keep the one fault of a file that cannot be read."""
        self.faults.append(file_fault(name, error))
        self.read_count.setdefault(name, 0)

    def fits(self, read: ReadFile) -> bool:
        """Tell whether no run of a file is called as one of an earlier file."""
        return self.taken.keys().isdisjoint(read.inspections["inspection_id"])

    def take(self, read: ReadFile, names: Mapping[str, str]) -> None:
        """Keep what a file gave, and the names of its runs."""
        self.taken |= names
        self.faults += read.faults
        self.read_count |= read.read_count
        self.read.append(read)

    def keep(self, parts: Sequence[CodedRows], spec: InspectionSpec) -> ReadFile | None:
        """Tell the runs of files apart that belong together, and keep their rows.

        Gives what was kept, where the names of earlier files' runs had no say in it.
        """
        frame = pd.concat([part.frame for part in parts], ignore_index=True)
        names: dict[str, str] = {}
        named, told = name_runs(frame, names)
        alone = self.taken.keys().isdisjoint(names)
        if not alone:
            names = dict(self.taken)
            named, told = name_runs(frame, names)
        read = _told(named, told, parts, spec)
        self.take(read, names)
        return read if alone else None


def _told(
    frame: pd.DataFrame,
    named: list[tuple[str, str]],
    parts: Sequence[CodedRows],
    spec: InspectionSpec,
) -> ReadFile:
    """Say what rows with the names of their runs say together."""
    frame, repeated = _without_repeated(frame) if len(parts) > 1 else (frame, [])
    frame = access_points(frame)
    runs, told = runs_of(frame, spec.zero_at, spec.direction)
    rows = frame[~frame["bare"]]
    ids = rows["inspection_id"] + "#" + rows["row"].astype("str")
    rows = rows.assign(observation_id=ids)
    flags = [flag for part in parts for flag in part.flags]
    return ReadFile(
        conform(runs, INSPECTIONS),
        conform(rows, OBSERVATIONS),
        [*(fault for part in parts for fault in part.faults), *repeated],
        [*flags, *named, *told, *doubts_of(rows)],
        {part.file: part.read_count for part in parts},
        {part.file: int(part.frame["bare"].sum()) for part in parts},
        [line for part in parts for line in part.said],
        by_ids=any(part.by_ids for part in parts),
    )


def _without_repeated(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[Fault]]:
    """Leave out rows whose run has a row of that number in an earlier file: none could be named."""
    names = frame[["inspection_id", "row"]]
    coded = ~frame["bare"].to_numpy(dtype=bool)
    again = np.zeros(len(frame), dtype=bool)
    again[coded] = names[coded].duplicated()
    if not again.any():
        return frame, []
    first = frame[coded & ~again].set_index(["inspection_id", "row"])["file"]
    faults = []
    for name, row, file in frame.loc[again, ["inspection_id", "row", "file"]].itertuples(
        index=False
    ):
        wanted = f"a run whose rows stand in one file: {first[name, row]} has a row {row} of it too"
        faults.append(Fault(file, int(row), "inspection_id", shown(name), wanted))
    return frame[~again].reset_index(drop=True), faults


def read_observations(
    specs: Sequence[InspectionSpec],
    root: Path,
    pipe_ids: Collection[str] = (),
    copy: Copy | None = None,
) -> Surveys:
    """Read all files of coded observations.

    Parameters
    ----------
    specs
        What ``planner.toml`` says of each file: form, scheme, columns, units, zero of the
        counter. A list of runs among the files of one spec (neither station nor code) goes
        with all of them.
    root
        The project folder.
    pipe_ids
        Ids of the network, by which a column of pipes can be proposed.
    copy
        Keeps what files gave that hang on no other, for the next time; None = all are read.

    Returns
    -------
    Surveys
        ``complete`` where blank is read off the codes: yes with a finish node and no
        abandonment, no with one, else unknown. ``surveyed_m`` where blank is the station
        of the finish node, else the largest. A file that cannot be read, or that is given
        twice, is one fault, and the others are read.
    """
    found, ids = _Gathered(), frozenset(pipe_ids)
    copies = None if copy is None else _Copies(copy, ids)
    for spec in specs:
        _read_spec(spec, _files_there(spec, root, found), ids, copies, found)
    order = {name: place for place, name in enumerate(found.read_count)}
    found.faults.sort(key=lambda fault: order.get(fault.file, len(order)))
    unlike = sorted({flag for one in found.read for flag in one.told})
    table = conform([{"step": "inputs", "key": k, "what": w} for k, w in unlike], FLAGS)
    head_count: dict[str, int] = {}
    for one in found.read:
        head_count |= one.head_count
    return Surveys(
        _under([one.inspections for one in found.read], INSPECTIONS),
        _under([one.observations for one in found.read], OBSERVATIONS),
        found.faults,
        table,
        found.read_count,
        head_count,
        [line for one in found.read for line in one.said],
    )


def _read_spec(
    spec: InspectionSpec,
    files: Mapping[str, Path],
    ids: Collection[str],
    copies: _Copies | None,
    found: _Gathered,
) -> None:
    """Read the files of one spec, but for those of which there is a copy."""
    kept = {} if copies is None else copies.of_files(files, spec)
    read = _read_files({n: path for n, path in files.items() if n not in kept}, spec, ids)
    if kept and not read.alone:  # what another file says may count in all of them
        kept, read = {}, _read_files(files, spec, ids)
    for name, error in read.lost:
        found.lose(name, error)
    if read.lists and not read.all_list:
        found.keep([part for name in files for part in read.parts.get(name, ())], spec)
        return
    for name, path in files.items():
        one = kept.get(name)
        if one is None:
            _take_parts(read, (name, path), spec, copies, found)
        elif found.fits(one):
            found.take(one, dict.fromkeys(one.inspections["inspection_id"], name))
        else:
            again = _read_files({name: path}, spec, ids)
            for lost, error in again.lost:
                found.lose(lost, error)
            _take_parts(again, (name, path), spec, None, found)


def _take_parts(
    read: _Parts,
    file: tuple[str, Path],
    spec: InspectionSpec,
    copies: _Copies | None,
    found: _Gathered,
) -> None:
    """Keep what a file gave on its own; what hangs on no other file goes into the copy."""
    parts = read.parts.get(file[0], [])
    for part in parts:
        if part.lists_runs:
            message = "no column 's_m' or 'code': a list of runs without their rows"
            found.lose(part.file, FileError(message))
            continue
        own = found.keep([part], spec)
        if copies is not None and own is not None and read.alone and len(parts) == 1:
            copies.keep(file[1], file[0], spec, own)


def _under(frames: Sequence[pd.DataFrame], table: Table) -> pd.DataFrame:
    """Put tables that obey `table` under each other."""
    if len(frames) == 1:
        return frames[0]
    return conform(pd.concat([pd.DataFrame(), *frames], ignore_index=True), table)


def _files_there(spec: InspectionSpec, root: Path, found: _Gathered) -> dict[str, Path]:
    """Give the files of one spec by name; one that is not there, or given twice, is a fault."""
    there: dict[str, Path] = {}
    for written in (spec.file, spec.heads, *spec.files):
        if written is None:
            continue
        name = written.as_posix()
        try:
            path = input_file(root, written)
            first = found.seen.setdefault(hash_of(path), name)
            if first != name or name in found.read_count:
                message = f"holds the same rows as {first}, which is read"
                raise FileError(message)
            found.read_count[name] = 0
            there[name] = path
        except (PlannerError, OSError) as error:
            found.lose(name, error)
    return there


@dataclass(frozen=True)
class _Parts:
    """What files of one spec gave, by file; those that cannot be read are lost.

    ``alone`` says that none of them says anything of the rows of another file.
    """

    parts: dict[str, list[CodedRows]]
    lost: list[tuple[str, Exception]]
    alone: bool

    @property
    def lists(self) -> bool:
        """Tell whether any of them is a list of runs."""
        return any(part.lists_runs for parts in self.parts.values() for part in parts)

    @property
    def all_list(self) -> bool:
        """Tell whether all of them are lists of runs."""
        return all(part.lists_runs for parts in self.parts.values() for part in parts)


def _read_files(
    files: Mapping[str, Path], spec: InspectionSpec, pipe_ids: Collection[str]
) -> _Parts:
    """Read files of one spec."""
    opened: list[tuple[str, CodedFile | TableRows]] = []
    lost: list[tuple[str, Exception]] = []
    for name, path in files.items():
        try:
            opened += [(name, part) for part in _open(path, name, spec)]
        except (PlannerError, OSError) as error:
            lost.append((name, error))
    tables = [part for _, part in opened if isinstance(part, TableRows)]
    read: dict[str, list[CodedRows]] = {}
    for name, part in opened:
        try:
            coded = coded_file(part, tables, spec) if isinstance(part, TableRows) else part
            scheme = _scheme_set(spec, name)
            coded = replace(coded, scheme=scheme) if scheme else coded
            read.setdefault(name, []).append(_rows_of(coded, spec, pipe_ids))
        except PlannerError as error:
            lost.append((name, error))
    alone = not any(table.lends for table in tables)
    alone &= not any(part.lists_runs for parts in read.values() for part in parts)
    return _Parts(read, lost, alone)


class _Copies:
    """What earlier runs read of files of coded rows, each on its own; see `inputs.copied`."""

    def __init__(self, copy: Copy, pipe_ids: Collection[str]) -> None:
        self._copy = copy
        ids = pd.DataFrame({"pipe_id": pd.array(sorted(pipe_ids), dtype="str")})
        self._ids = rows_digest(ids)
        self._marks: dict[str, str] = {}

    def of_files(self, files: Mapping[str, Path], spec: InspectionSpec) -> dict[str, ReadFile]:
        """Give what was read of those files that are as they were."""
        found: dict[str, ReadFile] = {}
        for name, path in files.items():
            mark = self._marks[name] = self._mark(path, name, spec)
            # Of most files the ids of pipes have no say.
            for ids in ("", self._ids) if mark else ():
                one = self._copy.find(mark + ids, ReadFile)
                if one is not None:
                    found[name] = one
                    break
        return found

    def keep(self, path: Path, name: str, spec: InspectionSpec, read: ReadFile) -> None:
        """Keep what a file gave, if it is as it was when it was begun."""
        mark = self._marks[name]
        if mark and self._mark(path, name, spec) == mark:
            self._copy.keep(mark + (self._ids if read.by_ids else ""), read)

    def _mark(self, path: Path, name: str, spec: InspectionSpec) -> str:
        said: dict[str, Any] = spec.model_dump(mode="json", exclude={"file", "files", "heads"})
        return mark_of("coded rows", {"name": name, "spec": said}, [path])


def _open(path: Path, name: str, spec: InspectionSpec) -> Sequence[CodedFile | TableRows]:
    standard = "" if scheme_of(spec.standard) else spec.standard
    form = form_of(path, name, standard)
    return open_tables(path, name, spec) if form == TABLE else [READERS[form](path, name)]


def _scheme_set(spec: InspectionSpec, name: str) -> str:
    """Give the scheme that ``planner.toml`` names; a scheme may stand as the standard too."""
    return scheme_of(spec.scheme, name) or scheme_of(spec.standard)


def _rows_of(coded: CodedFile, spec: InspectionSpec, pipe_ids: Collection[str]) -> CodedRows:
    named = {ours: theirs for ours, theirs in spec.columns.items() if ours not in coded.rows.header}
    return read_rows(coded, named, spec.units, pipe_ids)
