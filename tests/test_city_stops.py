"""What stops a city's run ends it in one line: the old result stands, what is finished stays."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from city_town import write_city
from test_city_plan import contents

from planner.city.filing import CityError, write_record
from planner.city.pool import Done, PlainLoop, Task
from planner.city.run import HOME, run_city
from planner.city.work import JOB
from planner.errors import PlannerError

SIZE, MOST = 24, 14


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A city whose first run is done; to be copied, not changed."""
    folder = write_city(tmp_path_factory.mktemp("city") / "town", SIZE)
    run_city(folder, PlainLoop(), most=MOST)
    return folder


@contextmanager
def small_disk(place: Path, size: str) -> Iterator[Callable[[str], None]]:
    """Mount a disk of its own, to be mounted anew by other words; skip where none may be."""
    place.mkdir()

    def mount(words: str) -> bool:
        command = ["mount", "-t", "tmpfs", "-o", words, "none", str(place)]
        return subprocess.run(command, check=False, capture_output=True).returncode == 0

    if not mount(f"size={size}"):
        pytest.skip("no disk can be mounted here")
    try:
        yield lambda words: None if mount(f"remount,{words}") else pytest.fail(words)
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def dearer(folder: Path) -> None:
    """Another price: all parts have to be done anew."""
    prices = folder / "prices.toml"
    text = prices.read_text()
    assert "each = " in text
    prices.write_text(text.replace("each = ", "each = 1", 1))


def aside(folder: Path) -> list[Path]:
    """Give what lies half-written."""
    return [*folder.rglob(".part-*"), *(folder / "out").glob("*-old")]


def stopped(folder: Path) -> str:
    with pytest.raises(PlannerError) as told:
        run_city(folder, PlainLoop(), most=MOST)
    assert "\n" not in str(told.value)
    return str(told.value)


def test_a_full_disk(finished: Path, tmp_path: Path) -> None:
    """Full at once, after the first files, later: each time one line; with room it goes on."""
    with small_disk(tmp_path / "disk", "64m") as again:
        town = Path(shutil.copytree(finished, tmp_path / "disk" / "town"))
        before = contents(town / "out" / "city")
        dearer(town)
        filler = tmp_path / "disk" / "filler"
        for left in (0, 60_000, 400_000):
            fill(filler, left)
            said = stopped(town)
            assert "No space left" in said or "full" in said
            assert contents(town / "out" / "city") == before
            assert aside(town) == []
            filler.unlink()
        made = run_city(town, PlainLoop(), most=MOST)
        assert contents(made.out) != before
        again("size=64m")
        other = Path(shutil.copytree(finished, tmp_path / "other"))
        dearer(other)
        assert contents(run_city(other, PlainLoop(), most=MOST).out) == contents(made.out)


def fill(path: Path, left: int) -> None:
    """Fill the disk that `path` lies on but for `left` bytes."""
    free = shutil.disk_usage(path.parent).free
    path.write_bytes(b"\0" * max(0, free - left))


def test_a_folder_that_cannot_be_written(finished: Path, tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", "64m") as again:
        town = Path(shutil.copytree(finished, tmp_path / "disk" / "town"))
        before = contents(town)
        again("ro")
        assert "Read-only file system" in stopped(town)
        again("rw")
        assert contents(town) == before


def part_files(town: Path) -> list[Path]:
    return sorted((town / HOME / "parts").glob("*/*/*.parquet"))


@pytest.mark.parametrize("harm", ["lost", "cut short"])
def test_a_part_with_a_file_lost_or_cut_short_is_done_again(
    finished: Path, tmp_path: Path, harm: str
) -> None:
    """Of rows and of tables alike: never is a result laid out without it."""
    town = Path(shutil.copytree(finished, tmp_path / "town"))
    before = contents(town / "out" / "city")
    folders = sorted({path.parent for path in part_files(town)})
    assert {folder.name for folder in folders} == {"rows", "tables"}
    for folder in folders:
        path = folder / ("pipes.parquet" if folder.name == "rows" else "spans.parquet")
        if harm == "lost":
            path.unlink()
        else:
            path.write_bytes(path.read_bytes()[:-100])
    made = run_city(town, PlainLoop(), most=MOST)
    assert made.redone == made.totals["parts"]
    assert contents(made.out) == before


def test_rows_as_another_version_wrote_them_are_written_anew(
    finished: Path, tmp_path: Path
) -> None:
    """Whole by their record, which names no code or another one, but laid out in other files."""
    town = Path(shutil.copytree(finished, tmp_path / "town"))
    before = contents(town / "out" / "city")
    for at, rows in enumerate(sorted((town / HOME / "parts").glob("*/rows"))):
        (rows / "rest.arrow").rename(rows / "nodes.parquet")
        write_record(rows, {"code": "0.0.0 abc"} if at else {})
    for tables in (town / HOME / "parts").glob("*/tables"):
        shutil.rmtree(tables)
    made = run_city(town, PlainLoop(), most=MOST)
    assert made.redone == made.totals["parts"] > 1
    assert contents(made.out) == before


@pytest.mark.parametrize("name", ["said.json", "prices.parquet"])
def test_what_all_parts_are_told_is_written_anew_where_it_is_damaged(
    finished: Path, tmp_path: Path, name: str
) -> None:
    """Cut short beside parts that have to be done again: the result is what it was."""
    town = Path(shutil.copytree(finished, tmp_path / "town"))
    before = contents(town / "out" / "city")
    for path in (town / HOME / "whole").glob(f"*/{name}"):
        path.write_bytes(path.read_bytes()[:10])
    for path in (town / HOME / "parts").glob("*/tables"):
        shutil.rmtree(path)
    made = run_city(town, PlainLoop(), most=MOST)
    assert made.redone == made.totals["parts"]
    assert contents(made.out) == before


ASLEEP = """
import os, sys, time
from pathlib import Path
from planner.city.pool import Processes
def sleep(folder, number):
    Path(folder, "new").write_text(str(os.getpid()))
    Path(folder, "new").rename(Path(folder, "worker"))
    time.sleep(600)
if __name__ == "__main__":
    with Processes(2) as pool:
        list(pool.run(sleep, sys.argv[1], [0]))
"""


def test_workers_end_with_a_command_that_was_killed(tmp_path: Path) -> None:
    """The worker is in the middle of a part when its command gets a signal it cannot catch."""
    script = tmp_path / "asleep.py"
    script.write_text(ASLEEP)
    command = subprocess.Popen([sys.executable, str(script), str(tmp_path)])
    try:
        until = time.monotonic() + 120
        while not (tmp_path / "worker").exists() and time.monotonic() < until:
            assert command.poll() is None
            time.sleep(0.1)
        worker = int((tmp_path / "worker").read_text())
        assert alive(worker)
    finally:
        command.kill()
        command.wait()
    until = time.monotonic() + 30
    while alive(worker) and time.monotonic() < until:
        time.sleep(0.1)
    assert not alive(worker)


def alive(pid: int) -> bool:
    """Tell whether a process runs; one that ended and that nobody has asked after does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_a_damaged_file_of_the_same_size_is_told(finished: Path, tmp_path: Path) -> None:
    """A flipped byte within a page is found by its check sum, and the folder to delete named."""
    town = Path(shutil.copytree(finished, tmp_path / "town"))
    before = contents(town / "out" / "city")
    path = next(path for path in part_files(town) if path.match("rows/observations.parquet"))
    bits = bytearray(path.read_bytes())
    bits[last_of("s_m", path)] ^= 0xFF
    path.write_bytes(bytes(bits))
    dearer(town)
    said = stopped(town)
    assert f"delete the folder {path.parent} and run again" in said
    assert contents(town / "out" / "city") == before
    shutil.rmtree(path.parent)
    run_city(town, PlainLoop(), most=MOST)


def last_of(column: str, path: Path) -> int:
    """Give the place of a byte near the end of a column's last page."""
    group = pq.ParquetFile(path).metadata.row_group(0)
    chunks = [group.column(n) for n in range(group.num_columns)]
    chunk = next(one for one in chunks if one.path_in_schema == column)
    start = chunk.dictionary_page_offset or chunk.data_page_offset
    return int(start + chunk.total_compressed_size - 3)


class Older(PlainLoop):
    """A worker that has another code than the run."""

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        path = Path(folder) / JOB
        job = json.loads(path.read_text())
        path.write_text(json.dumps({**job, "code": "9.9.9 abc"}))
        yield from super().run(task, folder, numbers)


def test_a_worker_of_another_version(finished: Path, tmp_path: Path) -> None:
    town = Path(shutil.copytree(finished, tmp_path / "town"))
    before = contents(town / "out" / "city")
    dearer(town)
    with pytest.raises(CityError, match="another version of sleeveplan") as told:
        run_city(town, Older(), most=MOST)
    assert "\n" not in str(told.value)
    assert contents(town / "out" / "city") == before
    assert aside(town) == []
