"""Layered settings: packaged < project < command line, with the origin of every value.

A step is given only its own section, so its signature says what can change its
result. Judgement about pipes belongs in the rulebook, data in files, and only
"how this town works" here.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
)

from planner.errors import SettingsError, UnitError
from planner.toml_text import parse_toml, parse_toml_file
from planner.units import to_si

PROJECT_FILE = "planner.toml"


def _in(unit: str) -> BeforeValidator:
    """Take a number as it is, and a text such as ``"250000 psi"`` turned into `unit`."""

    def read(value: object) -> object:
        if not isinstance(value, str):
            return value
        figure, _, written = value.strip().partition(" ")
        try:
            return to_si(float(figure), written.strip() or unit, unit)
        except (UnitError, ValueError) as error:
            message = f"wants a number, or a text like '1.5 {unit}': {error}"
            raise ValueError(message) from error

    return BeforeValidator(read)


_Mpa = Annotated[float, _in("MPa")]
_Metres = Annotated[float, _in("m")]
_Mm = Annotated[float, _in("mm")]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=False)


class Project(_Section):
    """Name, coordinates, units of print, first day, seed."""

    name: str
    crs: str
    units: Literal["metric", "us"]
    currency: str
    first_day: str = Field(pattern=r"^(\d{4}-\d{2}-\d{2})?$")
    seed: int = Field(ge=0)
    invented: bool


class Survey(_Section):
    """How coded rows are put on the pipe's own axis; see settings.toml for each key."""

    drawn_to: Literal["centre", "wall"]
    manhole_part_m: float = Field(ge=0)
    length_flag_m: float = Field(ge=0)
    length_flag_ratio: float = Field(ge=0)
    length_stop_m: float = Field(ge=0)
    length_stop_ratio: float = Field(ge=0)
    past_end_m: float = Field(ge=0)
    past_end_ratio: float = Field(ge=0)
    snap_m: float = Field(ge=0)
    address_reach_m: float = Field(ge=0)
    joint_extent_m: float = Field(ge=0)
    point_extent_m: float = Field(ge=0)
    touch_m: float = Field(ge=0)
    find_least_m: float = Field(ge=0)
    find_ratio: float = Field(ge=0)


class Sleeving(_Section):
    """How sleeves are placed and reckoned; see settings.toml for each key."""

    overlap_m: float = Field(ge=0)
    place_m: float = Field(ge=0)
    lateral_clear_m: float = Field(ge=0)
    lateral_size_mm: float = Field(ge=0)
    wall_clear_m: float = Field(ge=0)
    gap_m: float = Field(ge=0)
    cut_step_m: float = Field(ge=0.01)
    cut_least_m: float = Field(gt=0)
    max_per_pipe_count: int = Field(ge=1)
    choose_by: Literal["cost", "annual"]
    reopen_s: int = Field(ge=0)
    sleeve_life_years: float = Field(gt=0)
    liner_life_years: float = Field(gt=0)
    dig_life_years: float = Field(gt=0)


class Flow(_Section):
    """How dry-weather flow is reckoned and controlled; see settings.toml for each key."""

    persons_per_address: float = Field(gt=0)
    litres_per_person_day: float = Field(gt=0)
    return_ratio: float = Field(gt=0, le=1)
    peak_least_ratio: float = Field(ge=1)
    infiltration_l_s_per_km: float = Field(ge=0)
    least_flow_l_s: float = Field(ge=0)
    manning_low_n: float = Field(gt=0)
    manning_high_n: float = Field(gt=0)
    depth_most_pct: float = Field(ge=0, le=100)
    through_flow_most_pct: float = Field(ge=0, le=100)
    hold_most_m: float = Field(ge=0)
    hold_stated_m: float = Field(ge=0)
    manhole_m: float = Field(ge=0)

    @field_validator("manning_high_n")
    @classmethod
    def _not_below(cls, value: float, info: ValidationInfo) -> float:
        low = info.data.get("manning_low_n", value)
        if value < low:
            message = f"must not be below manning_low_n = {low:g}"
            raise ValueError(message)
        return value


class Week(_Section):
    """Hours, travel and the solver; see settings.toml for each key."""

    days: int = Field(ge=1, le=31)
    iterations: int = Field(ge=1)
    time_limit_s: float = Field(ge=0)
    fill_ratio: float = Field(gt=0, le=1)
    cap_small_count: int = Field(ge=1)
    cap_large_count: int = Field(ge=1)
    travel_factor: float = Field(ge=1)
    speed_kmh: float = Field(gt=0)
    class_kmh: dict[str, float]
    snap_far_m: float = Field(ge=0)
    manoeuvre_s: int = Field(ge=0)
    setup_s: int = Field(ge=0)
    open_s: int = Field(ge=0)
    close_s: int = Field(ge=0)
    reserve_s: int = Field(ge=0)
    outage_s: int = Field(ge=0)
    notice_days: int = Field(ge=0)
    weather_stops: dict[Literal["rain", "storm", "frost", "heat"], list[str]]
    step_tickets: dict[str, list[str]]
    class_tickets: dict[str, list[str]]
    persons_both_count: int = Field(ge=1)
    age_ratio: float = Field(ge=0)
    planned_on: str = Field(pattern=r"^(\d{4}-\d{2}-\d{2})?$")
    overtime_cost_s: int = Field(ge=0)
    change_cost_s: int = Field(ge=0)
    wall_c: float | Literal["unknown"]
    value_now_s: int = Field(ge=0)
    value_this_year_s: int = Field(ge=0)
    value_programme_s: int = Field(ge=0)
    value_when_near_s: int = Field(ge=0)
    value_promised_s: int = Field(ge=0)
    check_access_s: int = Field(ge=0)
    clean_s_per_m: float = Field(ge=0)
    clean_least_s: int = Field(ge=0)
    look_s: int = Field(ge=0)
    prove_laterals_s: int = Field(ge=0)
    cut_s: int = Field(ge=0)
    cut_intrusion_s: int = Field(ge=0)
    grout_s: int = Field(ge=0)
    verify_s: int = Field(ge=0)
    flow_control_s: int = Field(ge=0)
    flow_guard_m: float = Field(ge=0)
    rounds: int = Field(ge=1, le=20)
    exchange_count: int = Field(ge=0)
    exchange_most_count: int = Field(ge=1)
    done_valid_days: int = Field(ge=0)
    done_grace_days: int = Field(ge=0)
    candidates_ratio: float = Field(gt=0)
    zone_stops_count: int = Field(ge=1)
    bound_rounds: int = Field(ge=0)
    bound_steps_count: int = Field(ge=0)
    bound_bucket_s: int = Field(ge=30)
    bound_shown_ratio: float = Field(ge=0)

    @property
    def stated_wall_c(self) -> float | None:
        """Coldest pipe wall stated [degC]; None where it is not."""
        return None if self.wall_c == "unknown" else float(self.wall_c)


class AreaMoney(_Section):
    """Money for the pipes of one area; blank = no limit."""

    at_least_cents: int = Field(default=0, ge=0)
    at_most_cents: int | None = Field(default=None, ge=0)


class Budget(_Section):
    """Money for mending, and what a pipe's risk is made of; see settings.toml for each key."""

    sum_cents: int = Field(ge=0)
    yearly_cents: list[Annotated[int, Field(ge=0)]]
    late_ratio: float = Field(ge=0, le=1)
    whole_streets: bool
    areas: dict[str, AreaMoney]
    gap_ratio: float = Field(ge=0, lt=1)
    time_limit_s: float = Field(gt=0)
    likelihood_now_ratio: float = Field(ge=0, le=1)
    likelihood_this_year_ratio: float = Field(ge=0, le=1)
    likelihood_programme_ratio: float = Field(ge=0, le=1)
    likelihood_when_near_ratio: float = Field(ge=0, le=1)
    mend_ratio: float = Field(ge=0, le=1)
    watch_ratio: float = Field(ge=0, le=1)
    maintain_ratio: float = Field(ge=0, le=1)
    upstream_weight_ratio: float = Field(ge=0)
    class_ratio: dict[str, Annotated[float, Field(ge=0)]]
    sleeve_removes_ratio: float = Field(ge=0, le=1)
    liner_removes_ratio: float = Field(ge=0, le=1)
    dig_removes_ratio: float = Field(ge=0, le=1)


class Grades(_Section):
    """Tables of classes and scores that the user loads, and what their add-ons need to know."""

    classes: str
    scores: str
    score_grades: str
    soil: Literal["", "loam", "fine", "coarse"]
    groundwater: Literal["", "above", "range", "below"]
    protection_zone: Literal["", "none", "IIIb", "IIIa", "II", "I"]
    hazardous: Literal["", "yes", "no"]
    canalised: Literal["", "yes", "no"]


class Design(_Section):
    """What the wall of a sleeve is checked against; see settings.toml for each key.

    A figure with a unit may be a text in another: ``modulus_mpa = "250000 psi"``.
    """

    condition: Literal["full", "partial"]
    edition: Literal["07b", "before 07b"]
    modulus_mpa: _Mpa = Field(gt=0)
    retention_ratio: float = Field(gt=0, le=1)
    strength_mpa: _Mpa = Field(gt=0)
    safety_ratio: float = Field(ge=1)
    enhancement_ratio: float = Field(gt=0)
    poisson_ratio: float = Field(ge=0, lt=0.5)
    ovality_pct: float = Field(ge=0, lt=100)
    soil_kn_m3: Annotated[float, _in("kN/m^3")] = Field(gt=0, le=29)
    soil_modulus_mpa: _Mpa = Field(gt=0)
    cover_m: _Metres = Field(ge=0)
    water_from: Literal["unknown", "surface", "crown", "invert"]
    water_m: _Metres
    live: Literal["wheel", "stated", "none"]
    live_mpa: _Mpa = Field(ge=0)
    wheel_kn: Annotated[float, _in("kN")] = Field(ge=0)
    dr_max: float = Field(ge=0)
    floor_mm: _Mm = Field(ge=0)
    step_mm: _Mm = Field(ge=0)
    trench_m: _Metres = Field(ge=0)
    trench_friction_ratio: float = Field(gt=0)


class Takeoff(_Section):
    """What is ordered beyond the net; see settings.toml for each key."""

    resin_waste_ratio: float = Field(ge=0)
    mat_waste_ratio: float = Field(ge=0)
    batch_loss_g: int = Field(ge=0)
    spare_ratio: float = Field(ge=0)
    spare_least_count: int = Field(ge=0)
    order_lead_days: int = Field(ge=0, le=250)
    traffic_classes: tuple[str, ...]
    contingency_ratio: float = Field(ge=0)
    retention_ratio: float = Field(ge=0, le=1)
    night_from_s: int = Field(ge=0, le=86_400)
    night_to_s: int = Field(ge=0, le=86_400)


class City(_Section):
    """What is gone through part by part; see settings.toml for each key."""

    parts_from_count: int = Field(ge=1)


class Settings(_Section):
    """All sections, and `origins`: for each ``section.key`` the layer it came from."""

    project: Project
    survey: Survey
    sleeving: Sleeving
    flow: Flow
    week: Week
    budget: Budget
    grades: Grades
    design: Design
    takeoff: Takeoff
    city: City
    origins: dict[str, str]


SECTIONS: dict[str, type[_Section]] = {
    "project": Project,
    "survey": Survey,
    "sleeving": Sleeving,
    "flow": Flow,
    "week": Week,
    "budget": Budget,
    "grades": Grades,
    "design": Design,
    "takeoff": Takeoff,
    "city": City,
}


def packaged() -> dict[str, dict[str, Any]]:
    """Read the settings that ship with the package."""
    text = resources.files("planner").joinpath("data/settings.toml").read_text("utf-8")
    return parse_toml(text)


def load_settings(
    project: Mapping[str, Any] | None = None,
    overrides: Mapping[str, str] | None = None,
    *,
    project_name: str = PROJECT_FILE,
) -> Settings:
    """Put the layers on top of each other: packaged < project < command line.

    Parameters
    ----------
    project : mapping, optional
        Parsed ``planner.toml``; sections that are not settings are passed over.
    overrides : mapping, optional
        ``{"week.days": "3"}`` as given with ``--set``.
    project_name : str
        Name of the project file, for messages and origins.

    Raises
    ------
    SettingsError
        For an unknown key (the nearest known one is named) or a bad value.
    """
    values = packaged()
    origins = {f"{s}.{k}": "packaged" for s, keys in values.items() for k in keys}
    for section, keys in (project or {}).items():
        if section not in values:
            continue
        if not isinstance(keys, Mapping):
            message = f"{project_name}: [{section}] must be a section with keys"
            raise SettingsError(message)
        for key, value in keys.items():
            _put(values, origins, f"{section}.{key}", value, project_name)
    for path, raw in (overrides or {}).items():
        _put(values, origins, path, _parse(raw), "--set")
    try:
        sections = {name: model(**values[name]) for name, model in SECTIONS.items()}
    except ValidationError as error:
        raise SettingsError(_first_line(error, origins)) from error
    return Settings(origins=origins, **sections)  # type: ignore[arg-type]


def no_folder(folder: Path) -> str:
    """Say that a folder is not there, and which one beside it has nearly its name."""
    above = folder.resolve().parent
    beside = [p.name for p in above.iterdir() if p.is_dir()] if above.is_dir() else []
    near = difflib.get_close_matches(folder.name, sorted(beside), n=1, cutoff=0.6)
    hint = f"did you mean {folder.parent / near[0]}?" if near else "'sleeveplan init DIR' makes one"
    return f"{folder}: no such folder; {hint}"


def read_project_file(path: Path) -> dict[str, Any]:
    """Parse ``planner.toml``.

    Raises
    ------
    SettingsError
        If the file is missing or is not TOML; the message names line and column.
    """
    try:
        return parse_toml_file(path)
    except FileNotFoundError as error:
        gone = "" if path.parent.is_dir() else no_folder(path.parent)
        message = gone or f"{path}: no such file; 'sleeveplan init DIR' writes one"
        raise SettingsError(message) from error
    except ValueError as error:
        message = f"{path.name}: not valid TOML: {error}"
        raise SettingsError(message) from error


def _put(
    values: dict[str, dict[str, Any]], origins: dict[str, str], path: str, value: object, layer: str
) -> None:
    if path not in origins:
        near = difflib.get_close_matches(path, origins, n=1, cutoff=0.4)
        hint = f"; did you mean {near[0]}?" if near else ""
        message = f"{layer}: unknown setting {path}{hint}"
        raise SettingsError(message)
    section, key = path.split(".", 1)
    values[section][key] = value
    origins[path] = layer


def _parse(raw: str) -> object:
    """Read a command-line value as TOML; what is not TOML is text, and so is a day."""
    try:
        value: object = parse_toml(f"value = {raw}")["value"]
    except ValueError:
        return raw
    return raw if isinstance(value, date) else value


def _first_line(error: ValidationError, origins: Mapping[str, str]) -> str:
    section = next(name for name, model in SECTIONS.items() if model.__name__ == error.title)
    parts = []
    for fault in error.errors():
        path = f"{section}.{fault['loc'][0]}"
        parts.append(f"{path} = {fault['input']!r} ({origins.get(path, '?')}): {fault['msg']}")
    return "; ".join(parts)
