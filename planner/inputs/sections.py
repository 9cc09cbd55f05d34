"""What ``planner.toml`` says: settings, layers, surveys, rules. An unknown key stops the run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import pandas as pd
from pydantic import BaseModel, ValidationError

from planner.contracts import ADDRESSES, LATERALS, NODES, PIPES, STREETS
from planner.errors import FileError, SettingsError, UnitError
from planner.ground.postgis import check_service, refuse_secrets
from planner.inputs.conditions import check_period, lay_out
from planner.inputs.forms import nearest
from planner.inputs.observations import FORM, ZERO_AT
from planner.inputs.specs import ConditionSpec, InspectionSpec, LayerSpec, MediaSpec, RulesSpec
from planner.settings import PROJECT_FILE, SECTIONS, Settings, load_settings
from planner.tables import Table
from planner.units import factor

FILE = PROJECT_FILE
DIRECTIONS = ("down", "up", "unknown")
LAYERS: dict[str, Table] = {
    "pipes": PIPES,
    "nodes": NODES,
    "laterals": LATERALS,
    "streets": STREETS,
    "addresses": ADDRESSES,
}
# Columns of the contracts that the readers or locate fill; no file gives them.
DERIVED = frozenset(
    {
        "drawn_m",
        "length_m",
        "away_m",
        "pipe_from",
        "length_from",
        "length_doubt_m",
        "placing",
        "lateral_id",
        "source",
        "file",
        "row",
    }
)
Spec = TypeVar("Spec", bound=BaseModel)


@dataclass(frozen=True)
class Sections:
    """All sections of ``planner.toml``; a layer that it does not name is not in ``layers``."""

    settings: Settings
    layers: dict[str, LayerSpec]
    inspections: tuple[InspectionSpec, ...]
    rules: RulesSpec
    conditions: pd.DataFrame
    media: MediaSpec | None = None


def read_sections(raw: Mapping[str, Any], overrides: Mapping[str, str]) -> Sections:
    """Check every section and key of a parsed ``planner.toml``.

    Parameters
    ----------
    raw
        The parsed file.
    overrides
        ``{"week.days": "3"}`` as given with ``--set``.

    Raises
    ------
    SettingsError
        For an unknown section, key, column or unit, and where [pipes] is missing.
    """
    # What [store] says is checked where the store is opened, which comes first.
    known = [*SECTIONS, *LAYERS, "inspections", "media", "rules", "conditions", "store"]
    for name in raw:
        if name not in known:
            message = f"{FILE}: unknown section [{name}]{nearest(name, known)}"
            raise SettingsError(message)
    settings = load_settings(raw, overrides, project_name=FILE)
    if "pipes" not in raw:
        message = f"{FILE}: no section [pipes]; without pipes nothing can be made"
        raise SettingsError(message)
    layers = {name: _layer(raw[name], name, table) for name, table in LAYERS.items() if name in raw}
    media = _spec(MediaSpec, raw["media"], "[media]") if "media" in raw else None
    inspections = _inspections(raw.get("inspections", []))
    conditions = _conditions(raw.get("conditions", {}), settings)
    return Sections(settings, layers, inspections, _rules(raw), conditions, media)


def _conditions(found: object, settings: Settings) -> pd.DataFrame:
    """Lay temperatures out by planned day; the keys are dates and months."""
    if not isinstance(found, Mapping):
        message = f"{FILE}: [conditions] must hold a section for each date or month"
        raise SettingsError(message)
    stated = {}
    for period, figures in found.items():
        check_period(str(period), f"{FILE}: [conditions]")
        stated[str(period)] = _spec(ConditionSpec, figures, f"[conditions.{period}]")
    return lay_out(stated, settings.project.first_day, settings.week.days)


def _layer(found: object, name: str, table: Table) -> LayerSpec:
    if isinstance(found, Mapping):
        refuse_secrets(found, f"{FILE}: [{name}]")
    spec = _spec(LayerSpec, found, f"[{name}]")
    if (spec.file is None) == (not spec.service):
        message = f"{FILE}: [{name}]: wanted either file = or service ="
        raise SettingsError(message)
    if spec.service:
        try:
            check_service(spec.service)
        except FileError as error:
            message = f"{FILE}: [{name}]: {error}"
            raise SettingsError(message) from error
    allowed = [column for column in table.names if column not in DERIVED] + ["size"]
    _check_columns(spec, table, allowed, f"[{name}")
    return spec


def _inspections(found: object) -> tuple[InspectionSpec, ...]:
    items = found if isinstance(found, list) else [found]
    specs = []
    for number, item in enumerate(items, 1):
        where = f"[[inspections]] number {number}"
        spec = _spec(InspectionSpec, item, where)
        if spec.file is None and not spec.files:
            message = f"{FILE}: {where}: names no file"
            raise SettingsError(message)
        if spec.zero_at not in ZERO_AT:
            message = f"{FILE}: {where}: zero_at = '{spec.zero_at}'; wanted {' | '.join(ZERO_AT)}"
            raise SettingsError(message)
        if spec.direction not in DIRECTIONS:
            wanted = " | ".join(DIRECTIONS)
            message = f"{FILE}: {where}: direction = '{spec.direction}'; wanted {wanted}"
            raise SettingsError(message)
        _check_columns(spec, FORM, FORM.names, "[inspections")
        specs.append(spec)
    return tuple(specs)


def _check_columns(
    spec: LayerSpec | InspectionSpec, table: Table, allowed: list[str], where: str
) -> None:
    for key in spec.columns:
        if key not in allowed:
            message = f"{FILE}: {where}.columns]: unknown column {key}{nearest(key, allowed)}"
            raise SettingsError(message)
    for key, unit in spec.units.items():
        if key not in allowed:
            message = f"{FILE}: {where}.units]: unknown column {key}{nearest(key, allowed)}"
            raise SettingsError(message)
        wanted = "mm" if key in ("size", "q1", "q2") else table[key].unit
        try:
            if not wanted:
                message = f"{key} has no unit"
                raise UnitError(message)
            factor(unit, wanted)
        except UnitError as error:
            message = f"{FILE}: {where}.units]: {key}: {error}"
            raise SettingsError(message) from error


def _rules(raw: Mapping[str, Any]) -> RulesSpec:
    found = raw.get("rules", {})
    if isinstance(found, Mapping) and isinstance(found.get("overrides"), Mapping):
        found = {**found, "overrides": _flat(found["overrides"])}
    return _spec(RulesSpec, found, "[rules]")


def _flat(nested: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    """Give dotted keys: TOML reads ``a.b.ok = 1`` and ``"a.b.ok" = 1`` as two things."""
    flat: dict[str, Any] = {}
    for key, value in nested.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{before}{key}.")
        else:
            flat[before + key] = value
    return flat


def _spec(model: type[Spec], found: object, where: str) -> Spec:
    if not isinstance(found, Mapping):
        message = f"{FILE}: {where} must be a section with keys"
        raise SettingsError(message)
    try:
        return model(**found)
    except ValidationError as error:
        # A slip in a key is two faults, one unknown and one missing: the first one explains.
        fault = min(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
        key = ".".join(str(part) for part in fault["loc"])
        table, _, inner = key.partition(".")
        if table in ("columns", "units") and inner in ("columns", "units"):
            head = where.partition("]")[0].strip("[")
            message = (
                f"{FILE}: {where}: '{inner} = {{...}}' stands under [{head}.{table}], which holds "
                f'single lines, such as pipe_id = "Id": write what is between its braces there, '
                f"one line each, or move it up under the file and delete [{head}.{table}]"
            )
        elif fault["type"] == "extra_forbidden":
            message = f"{FILE}: {where}: unknown key {key}{nearest(key, model.model_fields)}"
        elif fault["type"] == "missing":
            message = f"{FILE}: {where}: key {key} is missing"
        else:
            message = f"{FILE}: {where}: {key}: {fault['msg']}, found {fault['input']!r}"
        raise SettingsError(message) from error
