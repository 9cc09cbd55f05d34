"""Layers and tables beside the network and the surveys; one that cannot be read costs no other."""

from __future__ import annotations

from functools import partial

import pandas as pd

from planner.contracts import ADDRESSES, GRADE_STEPS, STREETS
from planner.errors import PlannerError
from planner.ground.measure import read_crs
from planner.inputs.addresses import Addresses, read_addresses
from planner.inputs.folder_reading import SECTIONS_WAIT, FolderReading
from planner.inputs.grade_tables import KINDS, read_grade_table
from planner.inputs.network import Network
from planner.inputs.paths import file_fault, input_file
from planner.inputs.sections import Sections
from planner.inputs.streets import Streets, read_streets
from planner.marks import rows_digest
from planner.tables import empty


def read_beside(
    sections: Sections, network: Network, reading: FolderReading
) -> dict[str, pd.DataFrame]:
    """Read streets and addresses; one that cannot be read is a fault and an empty table."""
    layers, reach_m = sections.layers, sections.settings.survey.address_reach_m
    crs, local = sections.settings.project.crs, read_crs(network.local_crs)
    found = {}
    for name, table in (("streets", STREETS), ("addresses", ADDRESSES)):
        spec = layers.get(name)
        found[name] = empty(table, crs=network.local_crs)
        if spec is None:
            continue
        try:
            if name == "streets":
                streets = reading.copied(
                    Streets,
                    {"local": network.local_crs},
                    {name: spec},
                    partial(read_streets, spec, reading.folder, network.local_crs),
                )
                frame, faults, sha256 = streets.streets, streets.faults, streets.sha256
            else:
                asked = {"local": network.local_crs, "crs": crs, "reach_m": reach_m,
                         "pipes": rows_digest(network.pipes)}  # fmt: skip
                houses = reading.copied(
                    Addresses,
                    asked,
                    {name: spec},
                    partial(read_addresses, spec, reading.folder, network.pipes, local, crs,
                            reach_m),
                )  # fmt: skip
                frame, faults, sha256 = houses.addresses, houses.faults, houses.sha256
        except (PlannerError, OSError) as error:
            reading.faults.append(file_fault(spec.name, error))
            reading.missing.append(f"{SECTIONS_WAIT[name]}; it cannot be read")
            continue
        reading.take(spec.name, len(frame) + len({f.row for f in faults if f.lost}), faults)
        reading.hashes |= {spec.name: sha256} if sha256 else {}
        found[name] = frame
    return found


def read_grades(sections: Sections, reading: FolderReading) -> dict[str, pd.DataFrame]:
    """Read the tables of classes and scores that [grades] names; others are empty."""
    found = {}
    for kind in KINDS:
        found[kind] = empty(GRADE_STEPS)
        name = getattr(sections.settings.grades, kind)
        if not name:
            continue
        try:
            path = input_file(reading.folder, name)
            found[kind], faults = read_grade_table(path, kind, file=name)
        except (PlannerError, OSError) as error:
            reading.faults.append(file_fault(name, error))
            continue
        lost = {fault.row for fault in faults if fault.lost}
        reading.take(name, len(found[kind]) + len(lost), faults)
    return found
