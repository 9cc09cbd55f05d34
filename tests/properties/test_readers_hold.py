"""Damaged files of every form: rows and faults, or one line; never anything else.

`tests/fuzz.py` says how they are damaged. It runs in a process of its own with a bound on its
memory and its time, because the native readers of layers might take the process with them.
"""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from planner.contracts import CLOSED
from planner.errors import FileError, PlannerError
from planner.inputs.attributes import in_utf8
from planner.inputs.network import read_network
from planner.outputs.read_back import read_tables
from tests.layer_files import spec, survey

ROOT = Path(__file__).resolve().parents[2]
MEMORY, SECONDS = 6 * 1024**3, 240


def _bounded() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))


@pytest.mark.parametrize("seed", [1, 2])
def test_damaged_files_end_in_rows_and_faults_or_one_line(seed: int) -> None:
    """Each form a few times; for more run ``python -m tests.fuzz --seconds 600``."""
    command = [sys.executable, "-m", "tests.fuzz", "--count", "60", "--seed", str(1000 * seed)]
    done = subprocess.run(
        command,
        cwd=ROOT,
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'tests'}", "PATH": "/usr/bin:/bin"},
        preexec_fn=_bounded,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
    assert "60 files, 0 failures" in done.stdout


@pytest.mark.parametrize(
    ("column", "cell"),
    [
        ("row", '"1x\n"'),
        ("row", "1b"),
        ("row", "9" * 30),  # no 64 bits hold it
        ("from_date", '"2026-01-\n12"'),
        ("to_date", "2026" * 200),
    ],
)
def test_a_damaged_table_of_a_run_is_one_short_line(tmp_path: Path, column: str, cell: str) -> None:
    """What stands in the cell is told without the signs that would break the line."""
    cells = {"from_date": "2026-01-12", "to_date": "2026-01-13", "why": "frost", "row": "1"}
    cells |= {column: cell}
    table = tmp_path / "tables" / "closed.csv"
    table.parent.mkdir()
    names = [one.name for one in CLOSED.columns]
    table.write_text(",".join(names) + "\n" + ",".join(cells.get(one, "") for one in names) + "\n")
    with pytest.raises(PlannerError) as caught:
        read_tables(tmp_path, [CLOSED], "")
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 400


def test_text_that_is_no_utf8_is_read_and_named() -> None:
    """0xDD alone is a Y with an accent in Windows-1252; good cells stay as they are."""
    import pyarrow as pa

    raw = pa.array([b"caf\xdd", "stra\u00dfe".encode(), None])
    broken = pa.Array.from_buffers(pa.string(), 3, raw.buffers())
    table, told = in_utf8(pa.table({"name": broken, "other": ["a", "b", "c"]}))
    assert told == ["name"]
    assert table.column("name").to_pylist() == ["caf\u00dd", "stra\u00dfe", None]


def test_a_coordinate_system_in_broken_text_is_one_line(tmp_path: Path) -> None:
    """A .prj with a byte that is no UTF-8: the library behind fails in a way of its own."""
    from tests.layer_files import line, write_layer

    write_layer(tmp_path / "p.shp", {"pipe_id": ["a"]}, [line((0, 0), (9, 0))])
    path = tmp_path / "p.prj"
    raw = path.read_bytes()
    path.write_bytes(raw[:12] + b"\xa2" + raw[13:])
    with pytest.raises(FileError, match=r"p\.shp") as caught:
        read_network(spec("p.shp"), None, None, tmp_path, survey(), "")
    assert "\n" not in str(caught.value)


def test_a_system_that_makes_no_places_is_one_line(tmp_path: Path) -> None:
    """A latitude of origin of 99 degrees, in a file that else is in order."""
    from shapely.geometry import LineString

    from tests.layer_files import write_geojson

    proj = "+proj=lcc +lat_0=99 +lat_1=99 +lat_2=98 +lon_0=3 +datum=WGS84 +units=m"
    write_geojson(
        tmp_path / "p.geojson", [({"pipe_id": "a"}, LineString([(900, 0), (940, 0)]))], None
    )
    with pytest.raises(FileError) as caught:
        read_network(spec("p.geojson", crs=proj), None, None, tmp_path, survey(), "")
    assert "\n" not in str(caught.value)
