"""What planner.toml says about each file: where it is, how its columns are called, its units."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field


class _Spec(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class LayerSpec(_Spec):
    """One vector layer: ``columns`` maps our column to theirs, ``units`` our column to a unit.

    It stands in a ``file`` of the project, or in the PostGIS database that ``service`` names.
    ``units`` keys are contract columns or ``size``; values are those of `units.LENGTHS`.
    ``crs`` overrides a missing system only; a contradiction is a fault.
    """

    file: Path | None = None
    service: str = ""
    layer: str = ""
    columns: dict[str, str] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    crs: str = ""

    @property
    def source(self) -> str:
        """Name the file or the service in messages."""
        return f"service {self.service}" if self.file is None else self.file.as_posix()

    @property
    def name(self) -> str:
        """Name the layer in messages: its file or service, and the layer where it is named."""
        return f"{self.source}:{self.layer}" if self.layer else self.source


class InspectionSpec(_Spec):
    """One file of coded observations; several files of one form may share a spec.

    ``standard`` is the form of the file and ``scheme`` the coding scheme; '' is found out
    from what stands in it. ``zero_at`` and ``direction`` hold where the file does not say.
    ``heads`` is a list of runs beside the rows; ``table`` and ``heads_table`` name sheets of
    a workbook or tables of a database.
    """

    file: Path | None = None
    files: tuple[Path, ...] = ()
    standard: str = ""
    scheme: str = ""
    columns: dict[str, str] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    zero_at: str = "unknown"
    direction: str = "unknown"
    heads: Path | None = None
    table: str = ""
    heads_table: str = ""


class MediaSpec(_Spec):
    """Where photos and videos lie, in the project folder."""

    folder: Path


class RulesSpec(_Spec):
    """Which rulebook, and limits overridden with a reason: ``{"rule.column.ok": [20, "why"]}``."""

    book: str = "default"
    overrides: dict[str, tuple[float, str]] = Field(default_factory=dict)


class ConditionSpec(_Spec):
    """Temperatures of one date or month [degC], and who measured or forecast them."""

    air_c: float | None = Field(default=None, ge=-40, le=60, allow_inf_nan=False)
    wall_c: float | None = Field(default=None, ge=-40, le=60, allow_inf_nan=False)
    resin_c: float | None = Field(default=None, ge=-40, le=60, allow_inf_nan=False)
    source: str = ""
