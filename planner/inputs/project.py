"""A whole project folder into contract tables; what cannot be read is a fault, not an end.

Only ``planner.toml`` and the pipes are needed. Every further file opens the next step;
`Inputs.missing` says which step waits for which file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from planner.collecting import rarely
from planner.contracts import (
    DONE,
    EVENTS,
    FAULTS,
    FLAGS,
    INSPECTIONS,
    LATERALS,
    LOTS,
    NODES,
    NOTICES,
    OBSERVATIONS,
    PIPES,
    PRICE_EDITS,
    STOCK,
)
from planner.contracts.verdicts import PACKAGED_BOOKS
from planner.errors import PlannerError
from planner.held import Held
from planner.inputs.copied import Copy
from planner.inputs.crews import CrewTables, read_crews
from planner.inputs.done import read_done
from planner.inputs.folder_reading import SECTIONS_WAIT, WAITING_FOR, FolderReading
from planner.inputs.grade_tables import KINDS
from planner.inputs.hours import FILE as HOURS
from planner.inputs.hours import NOTICES_FILE, HourTables, read_hours, read_notices
from planner.inputs.id_matches import FILE as MATCHES
from planner.inputs.id_matches import read_id_matches, rename
from planner.inputs.inputs import Inputs
from planner.inputs.journal import take_in
from planner.inputs.lot_moves import moved_lots
from planner.inputs.lots import FILE as LOTS_FILE
from planner.inputs.lots import read_lots
from planner.inputs.media import Media, media_files, missing_media
from planner.inputs.network import Network
from planner.inputs.network_layers import read_network_of
from planner.inputs.observations import Surveys, read_observations
from planner.inputs.paths import file_fault, hash_of, input_file
from planner.inputs.price_edits import with_edits
from planner.inputs.prices import PriceTable, read_prices, read_stock
from planner.inputs.references import check_done, check_systems
from planner.inputs.repriced import changed_prices, with_changes
from planner.inputs.sections import FILE, Sections, read_sections
from planner.inputs.side_tables import read_beside, read_grades
from planner.inputs.specs import RulesSpec
from planner.inputs.systems import SystemTables, read_systems
from planner.settings import read_project_file
from planner.tables import conform, empty


@rarely
def read_project(
    folder: Path,
    overrides: Mapping[str, str] | None = None,
    events: pd.DataFrame | None = None,
    price_edits: pd.DataFrame | None = None,
    copy: Copy | None = None,
) -> Inputs:
    """Read a project folder.

    Parameters
    ----------
    folder
        With ``planner.toml`` in it.
    overrides
        ``{"week.days": "3"}`` as given with ``--set``.
    events
        Obeys `EVENTS`: the journal, as the store holds it. None = nothing was reported.
    price_edits
        Obeys `PRICE_EDITS`: prices that people changed, as the store holds it. None = none.
    copy
        Keeps what reading files gave, for the next time; None = all are read.

    Returns
    -------
    Inputs
        Every table, empty where its file is missing; every fault of every file.

    Raises
    ------
    SettingsError
        If ``planner.toml`` is missing, is no TOML, or names what is not known.
    FileError
        If the pipes cannot be read.
    """
    sections = read_sections(read_project_file(folder / FILE), overrides or {})
    reading = FolderReading(folder, copy)
    network = read_network_of(sections, reading)
    beside = read_beside(sections, network, reading)
    pipe_ids = network.pipes["pipe_id"].tolist()
    surveys = read_observations(sections.inspections, folder, pipe_ids, copy)
    reading.faults += surveys.faults
    reading.read_count |= surveys.read_count
    systems = read_systems(reading.toml("systems.toml"))
    prices = read_prices(reading.toml("prices.toml"))
    changes = changed_prices(prices.prices, reading)
    crews = read_crews(reading.toml("crews.toml"))
    hours, notices = _hours(reading)
    for name, part in (("systems.toml", systems), ("prices.toml", prices), ("crews.toml", crews)):
        reading.take(name, part.read_count, part.faults)
    stock = reading.csv("stock.csv", read_stock)
    lots = reading.csv(LOTS_FILE, read_lots)
    done = reading.csv("done.csv", read_done)
    surveys = _by_hand(surveys, network.pipes, reading)
    surveys, media = _with_media(surveys, sections, reading)
    grades = read_grades(sections, reading)
    tables = _Tables(
        network,
        surveys,
        beside,
        systems,
        prices,
        changes,
        crews,
        hours,
        notices,
        stock,
        lots,
        done,
        grades,
        media,
    )
    stored = _Stored(
        empty(EVENTS) if events is None else events,
        empty(PRICE_EDITS) if price_edits is None else price_edits,
    )
    return _gather(tables, sections, reading, stored)


def _hours(reading: FolderReading) -> tuple[HourTables, pd.DataFrame]:
    """Read hours of streets, and notices."""
    hours = read_hours(reading.toml(HOURS))
    reading.take(HOURS, hours.read_count, hours.faults)
    notices = reading.csv(NOTICES_FILE, read_notices)
    return hours, empty(NOTICES) if notices is None else notices


def _by_hand(surveys: Surveys, pipes: pd.DataFrame, reading: FolderReading) -> Surveys:
    """Take in the names of pipes that a person has matched, where there is such a file."""
    if not (reading.folder / MATCHES).exists():
        return surveys
    try:
        path = input_file(reading.folder, MATCHES)
        matches, faults = read_id_matches(path, pipes["pipe_id"])
    except (PlannerError, OSError) as error:
        reading.take(MATCHES, 0, [file_fault(MATCHES, error)])
        return surveys
    reading.faults += faults
    inspections, told = rename(surveys.inspections, matches)
    return _flagged(replace(surveys, inspections=inspections), told)


def _with_media(
    surveys: Surveys, sections: Sections, reading: FolderReading
) -> tuple[Surveys, dict[str, str]]:
    """Say which photos and videos are missing, where the project names their folder."""
    if sections.media is None:
        return surveys, {}
    try:
        media = Media(reading.folder, sections.media.folder)
    except (PlannerError, OSError) as error:
        reading.faults.append(file_fault("[media]", error))
        return surveys, {}
    found = media_files(surveys.observations, media, reading.folder)
    return _flagged(surveys, missing_media(surveys.observations, media)), found


def _flagged(surveys: Surveys, told: list[tuple[str, str]]) -> Surveys:
    flags = conform([{"step": "inputs", "key": k, "what": w} for k, w in told], FLAGS)
    return replace(surveys, flags=pd.concat([surveys.flags, flags], ignore_index=True))


@dataclass(frozen=True)
class _Tables:
    network: Network
    surveys: Surveys
    beside: dict[str, pd.DataFrame]
    systems: SystemTables
    prices: PriceTable
    price_changes: pd.DataFrame
    crews: CrewTables
    hours: HourTables
    notices: pd.DataFrame
    stock: pd.DataFrame | None
    lots: pd.DataFrame | None
    done: pd.DataFrame | None
    grades: dict[str, pd.DataFrame]
    media: dict[str, str]


@dataclass(frozen=True)
class _Stored:
    """What the store holds of the field, and of prices."""

    events: pd.DataFrame
    price_edits: pd.DataFrame


_OF_SYSTEMS = ("systems", "system_sizes", "materials", "parts", "process", "pressure_steps",
               "order_of_work", "packers")  # fmt: skip


def _gather(tables: _Tables, sections: Sections, reading: FolderReading, stored: _Stored) -> Inputs:
    """Hold the tables against each other, take in what the store says, and lay all in one."""
    network, surveys, systems = tables.network, tables.surveys, tables.systems
    stock = empty(STOCK) if tables.stock is None else tables.stock
    done, more = check_done(
        empty(DONE) if tables.done is None else tables.done, network.pipes, network.nodes
    )
    reading.faults += [*more, *check_systems(systems, tables.crews, tables.prices.prices, stock)]
    field = take_in(stored.events, done, stock, systems.system_sizes)
    given = empty(LOTS) if tables.lots is None else tables.lots
    lots, of_lots = moved_lots(given, field.stock_moves)
    given_prices = with_changes(tables.prices.prices, tables.price_changes)
    prices, of_prices = with_edits(given_prices, stored.price_edits)
    said = [("journal", *one) for one in of_lots] + [("prices", *one) for one in of_prices]
    beside = conform([{"step": s, "key": k, "what": w} for s, k, w in said], FLAGS)
    flags = pd.concat([network.flags, surveys.flags, field.flags, beside], ignore_index=True)
    missing = _waiting(tables, sections, reading)
    return Inputs(
        folder=reading.folder,
        settings=sections.settings,
        rules=_rules_of(sections.rules, reading),
        held={
            "pipes": Held.of(network.pipes, PIPES),
            "nodes": Held.of(network.nodes, NODES),
            "laterals": Held.of(network.laterals, LATERALS),
            "inspections": Held.of(surveys.inspections, INSPECTIONS),
            "observations": Held.of(surveys.observations, OBSERVATIONS),
        },
        streets=tables.beside["streets"],
        addresses=tables.beside["addresses"],
        **_named(systems, _OF_SYSTEMS),
        conditions=sections.conditions,
        prices=prices,
        price_changes=tables.price_changes,
        price_edits=stored.price_edits,
        lots=lots,
        **_named(tables.crews, ("crews", "shifts")),
        **_named(tables.hours, ("windows", "closed", "permits", "weather")),
        notices=tables.notices,
        **_named(field, ("stock", "done", "events", "as_built", "measured", "stock_moves")),
        grade_tables=tables.grades,
        media=tables.media,
        faults=conform([vars(fault) for fault in reading.faults], FAULTS),
        flags=conform(flags.drop_duplicates(), FLAGS),
        source_crs=network.source_crs,
        local_crs=network.local_crs,
        read_count=dict(sorted(reading.read_count.items())),
        head_count=surveys.head_count,
        forms=[*network.said, *surveys.said],
        missing=missing,
        hashes=dict(sorted((_hashes(sections, reading.folder) | reading.hashes).items())),
        unread=_unread(surveys) if sections.inspections else "",
    )


def _named(of: object, names: tuple[str, ...]) -> dict[str, Any]:
    """Give the tables of one reading that stand under the same names in `Inputs`."""
    return {name: getattr(of, name) for name in names}


def _waiting(tables: _Tables, sections: Sections, reading: FolderReading) -> list[str]:
    """Say which step waits for which file, in the order of the way."""
    missing = [text for name, text in SECTIONS_WAIT.items() if name not in sections.layers]
    if not sections.inspections:
        missing.insert(0, "verdicts, and all that follows, wait for [[inspections]]")
    if not sections.settings.project.first_day:
        missing.append("dates and ages wait for first_day in [project]")
    parts = {
        "systems.toml": tables.systems.systems,
        "prices.toml": tables.prices.prices,
        "crews.toml": tables.crews.crews,
    }
    waits = "".join(reading.missing)
    none_given = [
        f"{WAITING_FOR[name]}, which gives none"
        for name, frame in parts.items()
        if frame.empty and name not in waits
    ]
    return [*missing, *reading.missing, *none_given]


def _unread(surveys: Surveys) -> str:
    """Say why no survey file could be read; '' where one could."""
    if surveys.head_count or not surveys.faults:
        return ""
    why = [f"{fault.file}: {fault.found}" for fault in surveys.faults if not fault.row]
    more = f" (and {len(why) - 1} more)" if len(why) > 1 else ""
    return f"no file of coded rows could be read: {why[0]}{more}" if why else ""


def _rules_of(rules: RulesSpec, reading: FolderReading) -> RulesSpec:
    if rules.book in PACKAGED_BOOKS:
        return rules
    return rules.model_copy(update={"book": str(input_file(reading.folder, rules.book))})


def _hashes(sections: Sections, folder: Path) -> dict[str, str]:
    """Give the sha256 of every file that was or should have been read."""
    names = [
        FILE,
        MATCHES,
        *WAITING_FOR,
        *(spec.source for spec in sections.layers.values() if spec.file is not None),
    ]
    for spec in sections.inspections:
        names += [
            file.as_posix() for file in (spec.file, spec.heads, *spec.files) if file is not None
        ]
    names += [name for kind in KINDS if (name := getattr(sections.settings.grades, kind))]
    if sections.rules.book not in PACKAGED_BOOKS:
        names.append(sections.rules.book)
    found = {}
    for name in sorted(set(names)):
        try:
            found[name] = hash_of(input_file(folder, name))
        except (PlannerError, OSError):
            continue  # said as a fault, or as a step that waits, where it was read
    return found
