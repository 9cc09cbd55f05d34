"""Coded observations of any form: files grouped, rows told apart into camera runs.

A file may name its runs (``inspection_id``), or they are told apart by pipe, start node and
day. What a run's rows say of the run as a whole (nodes, day, length) need stand in one of
them only, or in a list of runs beside them. Nothing is put on a pipe here;
`screening.locate` does that.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from planner.contracts import FLAGS, INSPECTIONS, OBSERVATIONS
from planner.errors import Fault, FileError, PlannerError
from planner.inputs.coded import FORM, CodedFile
from planner.inputs.coded_rows import ZERO_AT, CodedRows, doubts_of, read_rows
from planner.inputs.paths import file_fault, hash_of, input_file
from planner.inputs.runs import access_points, name_runs, runs_of
from planner.inputs.specs import InspectionSpec
from planner.inputs.standards import READERS, TABLE, form_of, scheme_of
from planner.inputs.table_rows import TableRows
from planner.inputs.tabular import coded_file, open_tables
from planner.tables import conform

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


@dataclass
class _Gathered:
    """What is gathered while the files are read; ``taken`` and ``seen`` tell doubles apart."""

    inspections: list[pd.DataFrame] = field(default_factory=list)
    observations: list[pd.DataFrame] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    flags: list[tuple[str, str]] = field(default_factory=list)
    read_count: dict[str, int] = field(default_factory=dict)
    head_count: dict[str, int] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    taken: dict[str, str] = field(default_factory=dict)
    seen: dict[str, str] = field(default_factory=dict)

    def lose(self, name: str, error: Exception) -> None:
        """Keep the one fault of a file that cannot be read."""
        self.faults.append(file_fault(name, error))
        self.read_count.setdefault(name, 0)

    def keep(self, parts: Sequence[CodedRows], spec: InspectionSpec) -> None:
        """Tell the runs of files apart that belong together, and keep their rows."""
        for part in parts:
            self.faults += part.faults
            self.flags += part.flags
            self.said += part.said
            self.read_count[part.file] = part.read_count
            self.head_count[part.file] = int(part.frame["bare"].sum())
        frame = pd.concat([part.frame for part in parts], ignore_index=True)
        frame, named = name_runs(frame, self.taken)
        frame = access_points(frame)
        runs, told = runs_of(frame, spec.zero_at, spec.direction)
        rows = frame[~frame["bare"]]
        ids = rows["inspection_id"] + "#" + rows["row"].astype("str")
        rows = rows.assign(observation_id=ids)
        self.flags += [*named, *told, *doubts_of(rows)]
        self.inspections.append(runs)
        self.observations.append(rows)


def read_observations(
    specs: Sequence[InspectionSpec], root: Path, pipe_ids: Collection[str] = ()
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

    Returns
    -------
    Surveys
        ``complete`` where blank is read off the codes: yes with a finish node and no
        abandonment, no with one, else unknown. ``surveyed_m`` where blank is the station
        of the finish node, else the largest. A file that cannot be read, or that is given
        twice, is one fault, and the others are read.
    """
    found = _Gathered()
    for spec in specs:
        parts = list(_parts_of(spec, root, found, frozenset(pipe_ids)))
        lists = [part for part in parts if part.lists_runs]
        if lists and len(lists) < len(parts):
            found.keep(parts, spec)
            continue
        for part in parts:
            if part.lists_runs:
                message = "no column 's_m' or 'code': a list of runs without their rows"
                found.lose(part.file, FileError(message))
            else:
                found.keep([part], spec)
    rows = pd.concat([pd.DataFrame(), *found.observations], ignore_index=True)
    heads = pd.concat([pd.DataFrame(), *found.inspections], ignore_index=True)
    order = {name: place for place, name in enumerate(found.read_count)}
    found.faults.sort(key=lambda fault: order.get(fault.file, len(order)))
    unlike = sorted(set(found.flags))
    table = conform([{"step": "inputs", "key": k, "what": w} for k, w in unlike], FLAGS)
    return Surveys(
        conform(heads, INSPECTIONS),
        conform(rows, OBSERVATIONS),
        found.faults,
        table,
        found.read_count,
        found.head_count,
        found.said,
    )


def _parts_of(
    spec: InspectionSpec, root: Path, found: _Gathered, pipe_ids: Collection[str]
) -> Iterator[CodedRows]:
    """Read the files of one spec; one that cannot be read is a fault."""
    opened: list[tuple[str, CodedFile | TableRows]] = []
    for written in _files_of(spec):
        name = written.as_posix()
        try:
            path = input_file(root, written)
            first = found.seen.setdefault(hash_of(path), name)
            if first != name or name in found.read_count:
                message = f"holds the same rows as {first}, which is read"
                raise FileError(message)
            found.read_count[name] = 0
            opened += [(name, part) for part in _open(path, name, spec)]
        except (PlannerError, OSError) as error:
            found.lose(name, error)
    tables = [part for _, part in opened if isinstance(part, TableRows)]
    for name, part in opened:
        try:
            coded = coded_file(part, tables, spec) if isinstance(part, TableRows) else part
            scheme = _scheme_set(spec, name)
            coded = replace(coded, scheme=scheme) if scheme else coded
            yield _rows_of(coded, spec, pipe_ids)
        except PlannerError as error:
            found.lose(name, error)


def _files_of(spec: InspectionSpec) -> list[Path]:
    return [file for file in (spec.file, spec.heads, *spec.files) if file is not None]


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
