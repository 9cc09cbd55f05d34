"""planner.toml: every key is known, or the run stops and names the nearest."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from planner.errors import FileError, SettingsError
from planner.inputs.paths import hash_of, input_file
from planner.inputs.sections import read_sections

GOOD = """
[project]
name = "x"
[pipes]
file = "p.gpkg"
[pipes.columns]
pipe_id = "id"
size = "dn"
[pipes.units]
size = "in"
stated_m = "ft"
[[inspections]]
file = "a.csv"
units = {s_m = "ft"}
zero_at = "wall"
[[inspections]]
files = ["b.csv", "c.csv"]
[rules.overrides]
crack-sleeve.crack_mm.ok = [3, "seen on site"]
"gap-sleeve.gap_mm.ok" = [20.5, "maker says"]
[week]
days = 3
"""


def test_what_is_known_is_read() -> None:
    """Settings, layers, surveys and rules, with --set on top."""
    got = read_sections(tomllib.loads(GOOD), {"week.days": "4"})
    assert (got.settings.week.days, got.settings.origins["week.days"]) == (4, "--set")
    assert got.layers["pipes"].columns == {"pipe_id": "id", "size": "dn"}
    assert list(got.layers) == ["pipes"]
    assert [spec.zero_at for spec in got.inspections] == ["wall", "unknown"]
    assert got.rules.overrides == {
        "crack-sleeve.crack_mm.ok": (3.0, "seen on site"),
        "gap-sleeve.gap_mm.ok": (20.5, "maker says"),
    }


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[week]", "[wek]", r"unknown section \[wek\]; did you mean week"),
        ("days = 3", "dayz = 3", "unknown setting week.dayz; did you mean week.days"),
        ("days = 3", "days = 'x'", "week.days"),
        ('pipe_id = "id"', 'pipe_idd = "id"', "unknown column pipe_idd; did you mean pipe_id"),
        ('pipe_id = "id"', 'length_m = "l"', "unknown column length_m"),
        ('size = "in"', 'size = "kg"', r"\[pipes.units\]: size"),
        ('size = "in"', 'pipe_id = "m"', "pipe_id has no unit"),
        ('stated_m = "ft"', 'stated_mm = "ft"', "did you mean stated_m"),
        ('file = "p.gpkg"', 'fille = "p.gpkg"', "unknown key fille; did you mean file"),
        ('file = "p.gpkg"', "file = 3", r"\[pipes\]: file"),
        ('file = "a.csv"', "", "number 1: names no file"),
        ('zero_at = "wall"', 'zero_at = "middle"', "zero_at = 'middle'"),
        ('units = {s_m = "ft"}', 'units = {station = "ft"}', "unknown column station"),
        ('units = {s_m = "ft"}', 'standart = "x"', "did you mean standard"),
        ('[3, "seen on site"]', "3", r"\[rules\]: overrides"),
        ("[project]", "inspections = 3\n[project]", "inspections"),
    ],
)
def test_an_unknown_key_names_the_nearest(old: str, new: str, message: str) -> None:
    """One line for each slip; nothing is passed over in silence."""
    text = GOOD.replace(old, new, 1)
    if new.startswith("inspections"):
        text = text.partition("[[inspections]]")[0]
    with pytest.raises(SettingsError, match=message) as caught:
        read_sections(tomllib.loads(text), {})
    assert "planner.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_sections_that_are_no_sections() -> None:
    """`pipes = "p.gpkg"` is told, not crashed on."""
    with pytest.raises(SettingsError, match=r"\[pipes\] must be a section"):
        read_sections({"pipes": "p.gpkg"}, {})
    with pytest.raises(SettingsError, match=r"no section \[pipes\]"):
        read_sections({}, {})


@pytest.mark.parametrize(
    "name", ["/vsimem/x", "https://x/y", "PG:dbname=x", "../x", "/etc/hostname", "//host/x", "d"]
)
def test_only_plain_files_inside_the_folder(tmp_path: Path, name: str) -> None:
    """A URL, a connection string, a path out of the folder and a folder are refused."""
    (tmp_path / "d").mkdir()
    with pytest.raises(FileError):
        input_file(tmp_path, name)


def test_a_file_in_a_sub_folder_is_found(tmp_path: Path) -> None:
    """Also where the folder itself is reached through a link."""
    (tmp_path / "real" / "in").mkdir(parents=True)
    (tmp_path / "real" / "in" / "a.csv").write_text("x")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    assert input_file(tmp_path / "link", "in/a.csv").read_text() == "x"


def test_a_hash_is_that_of_the_bytes(tmp_path: Path) -> None:
    """Expected: sha256 of "abc", FIPS 180-2, appendix B.1."""
    (tmp_path / "a").write_bytes(b"abc")
    assert hash_of(tmp_path / "a") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_the_hash_of_a_shapefile_knows_its_parts(tmp_path: Path) -> None:
    """Attributes are in another file than the geometry: a change there is a change."""
    for end in ("shp", "dbf"):
        (tmp_path / f"p[1].{end}").write_bytes(b"abc")
    before = hash_of(tmp_path / "p[1].shp")
    (tmp_path / "p[1].dbf").write_bytes(b"abd")
    assert hash_of(tmp_path / "p[1].shp") != before
