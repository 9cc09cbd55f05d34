"""Which store a project has: the GeoPackage in its folder, or the team's, named in planner.toml."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from planner.errors import FileError, SettingsError
from planner.ground.postgis import check_service, refuse_secrets
from planner.settings import PROJECT_FILE, read_project_file
from planner.store.decisions import Store, open_store
from planner.store.postgis import PostGis

STORE = "project.gpkg"
SCHEMA = "sleeveplan"
# The roles are called after it, and a name in PostgreSQL has 63 signs.
_SCHEMA = re.compile(r"(?!pg_)[a-z_][a-z0-9_]{0,39}")


@dataclass(frozen=True)
class StoreSpec:
    """``[store]`` of planner.toml: a section of the user's pg_service.conf, and a schema."""

    service: str
    schema: str = SCHEMA


def store_of(folder: Path) -> Store:
    """Open the store of a project: the team's where planner.toml names one, else its own.

    Parameters
    ----------
    folder
        Project folder.

    Raises
    ------
    StoreError
        If it cannot be opened; see `open_store`. A database is first asked when something is
        read.
    SettingsError
        If planner.toml cannot be read, or what stands in its ``[store]`` is not known.
    """
    spec = store_spec(folder)
    return open_store(folder / STORE) if spec is None else Store(PostGis(spec.service, spec.schema))


def store_spec(folder: Path) -> StoreSpec | None:
    """Read ``[store]`` of planner.toml; None where there is none.

    Raises
    ------
    SettingsError
        For an unknown key, a service that is no bare name, or a schema of another form. No
        value is shown, for it may hold a password.
    """
    path = folder / PROJECT_FILE
    found = read_project_file(path).get("store") if path.exists() else None
    if found is None:
        return None
    where = f"{PROJECT_FILE}: [store]"
    if not isinstance(found, Mapping):
        message = f"{where} must be a section with keys"
        raise SettingsError(message)
    refuse_secrets(found, where)
    unknown = sorted(set(found) - {"service", "schema"})
    if unknown:
        message = f"{where}: unknown key {unknown[0]}; wanted service and schema"
        raise SettingsError(message)
    try:
        check_service(str(found.get("service", "")))
    except FileError as error:
        message = f"{where}: {error}"
        raise SettingsError(message) from error
    schema = str(found.get("schema", SCHEMA))
    if not _SCHEMA.fullmatch(schema):
        message = f"{where}: schema = wants small letters, digits and _, at most 40"
        raise SettingsError(message)
    return StoreSpec(str(found["service"]), schema)
