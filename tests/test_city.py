"""A city proposed part by part gives what a whole run gives, ids included, however it is broken.

The reference is `propose` on all pipes at once: the same steps without any parts, each with
tests of its own against outside sources.
"""

from __future__ import annotations

import fcntl
import gc
import os
import re
import shutil
import signal
import threading
from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import shapely
from city_town import write_city
from typer.testing import CliRunner

from planner import rule_spans as rule_step
from planner.city import work
from planner.city.code import code_mark, same_code
from planner.city.columns import arrow_table
from planner.city.filing import CityError, read_frame, write_frame
from planner.city.gather import OWN, union_tables
from planner.city.numbers import Renumbering, free_base, number_pipes
from planner.city.parts import most_of, part_pipes
from planner.city.pool import Done, PlainLoop, Processes, Task
from planner.city.rows import read_rows, write_rows
from planner.city.run import HOME, run_city
from planner.city.split import split_town
from planner.cli import app
from planner.collecting import rarely
from planner.contracts import DECISIONS, INSPECTIONS, OBSERVATIONS, PIPES
from planner.inputs.project import read_project
from planner.propose import Proposal, propose
from planner.repairs.decide_spans import digest_of
from planner.store.chosen import store_of
from planner.tables import conform
from tests.bench import city as bench

SIZE, MOST = 32, 18
# Prices for a range of quantity: which is in force hangs on all parts together.
BANDS = """
[[price]]
price_id = "few"
item = "sleeve"
dn_from_mm = 100
dn_to_mm = 300
each = 1500.00
included_m = 1.0
extra_per_m = 260.00
quantity_to = 10
[[price]]
price_id = "many"
item = "sleeve"
dn_from_mm = 100
dn_to_mm = 300
each = 900.00
included_m = 1.0
extra_per_m = 260.00
quantity_from = 11
[[price]]
price_id = "liner"
item = "liner"
dn_from_mm = 100
dn_to_mm = 500
each = 800.00
per_m = 90.00
"""


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A city whose first run is done; to be copied, not changed."""
    folder = write_city(tmp_path_factory.mktemp("city") / "town", SIZE, prices=BANDS)
    run_city(folder, PlainLoop(), most=MOST)
    return folder


@pytest.fixture
def town(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "town"))


def whole(folder: Path, *, fresh: bool = False) -> Proposal:
    """Propose all at once; `fresh` as if no id had been given yet."""
    store = store_of(folder)
    known, decisions = store.read_known(), store.read_decisions()
    if fresh:
        known = store_of(folder / "nowhere").read_known()
    return propose(read_project(folder), known, decisions)


def differing(ours: dict[str, pd.DataFrame], made: Proposal) -> list[str]:
    found = []
    for table in OWN:
        if table.name not in made.tables:
            continue
        one, other = ours.get(table.name, conform([], table)), made.tables[table.name]
        try:
            pd.testing.assert_frame_equal(
                pd.DataFrame(one).reset_index(drop=True), pd.DataFrame(other).reset_index(drop=True)
            )
        except AssertionError as error:
            found.append(f"{table.name}: {error}")
    return found


def contents(folder: Path) -> dict[str, bytes]:
    """All bytes of a result but of run.json, which alone says when."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(p.relative_to(folder)): p.read_bytes() for p in paths if p.name != "run.json"}


def test_parts_give_the_tables_and_ids_of_a_whole_run(finished: Path) -> None:
    """Every table up to the choices, prices by quantity, and the ids that the store keeps."""
    made = whole(finished, fresh=True)
    ours = union_tables(finished / "out" / "city")
    assert differing(ours, made) == []
    kept = store_of(finished).read_known()
    pd.testing.assert_frame_equal(kept.table, made.known.table)
    assert dict(kept.highest) == dict(made.known.highest)
    pipes = gpd.read_parquet(finished / "out" / "city" / "pipes")
    assert len(pipes) == SIZE
    # Catchments of this size were cut, prices weighed over all parts, and all faults are told.
    assert len(list((finished / HOME / "parts").iterdir())) > SIZE // MOST
    assert set(ours["price_quantities"]["in_force"]) == {True, False}
    assert ours["left_over"]["step"].nunique() > 2


def test_nothing_is_done_again_where_nothing_changed(town: Path) -> None:
    before = contents(town / "out" / "city")
    again = run_city(town, PlainLoop(), most=MOST)
    assert again.redone == 0
    assert contents(again.out) == before


def test_a_changed_row_touches_its_part_alone(town: Path) -> None:
    """One crack more on one pipe: one part anew, and all tables as a whole run has them."""
    surveys = town / "surveys.csv"
    rows = pd.read_csv(surveys, dtype="str", keep_default_na=False)
    more = rows[rows["code"] == "BAB"].iloc[[0]].assign(s_m="1.11", code="BAF", char1="A", q1="")
    pd.concat([rows, more]).to_csv(surveys, index=False)
    made = whole(town)
    again = run_city(town, PlainLoop(), most=MOST)
    assert again.redone == 1
    assert differing(union_tables(again.out), made) == []


def test_another_price_keeps_the_ids(town: Path) -> None:
    """What one sleeve costs hangs on no row: all parts anew, by the ids that were given."""
    ids = store_of(town).read_known().table
    prices = town / "prices.toml"
    prices.write_text(prices.read_text().replace("each = 900.00", "each = 950.00"))
    made = whole(town)
    again = run_city(town, PlainLoop(), most=MOST)
    assert again.redone == again.totals["parts"]
    assert differing(union_tables(again.out), made) == []
    pd.testing.assert_frame_equal(store_of(town).read_known().table, ids)


def test_decisions_hold_in_parts_as_in_the_whole(town: Path) -> None:
    """Accepted, refused, another method, own limits, a place, and what is about nothing there."""
    tables = union_tables(town / "out" / "city")
    choices, verdicts = tables["choices"], tables["verdicts"]
    prints = dict(zip(choices["pipe_id"], choices["fingerprint"], strict=True))
    pipes = choices["pipe_id"].tolist()
    refer = verdicts[verdicts["verdict"] == "refer"]
    sleeve = verdicts[verdicts["verdict"] == "sleeve"]
    about = [
        (pipe, "", word)
        for pipe, word in zip(
            pipes[::9], ["accept", "refuse", "hold", "liner", "dig"] * 9, strict=False
        )
    ]
    about += [(p, s, "watch") for p, s in refer[["pipe_id", "span_id"]].iloc[::20].to_numpy()]
    about += [(p, s, "place") for p, s in sleeve[["pipe_id", "span_id"]].iloc[::25].to_numpy()]
    about += [(pipes[0], "D-777777", "dig"), (pipes[0], sleeve["span_id"].iloc[-1], "dig"),
              ("no pipe", "", "accept")]  # fmt: skip
    rows = [
        {"version": n, "pipe_id": pipe, "span_id": span, "decision": word, "by": "Ada",
         "on": "2026-01-12", "reason": "seen", "fingerprint": "" if span else prints.get(pipe, ""),
         "value": "length 1.0 m" if word == "place" else ""}
        for n, (pipe, span, word) in enumerate(about, 1)
    ]  # fmt: skip
    store = store_of(town)
    store.append_decisions(conform(rows, DECISIONS))
    made = whole(town)
    again = run_city(town, PlainLoop(), most=MOST)
    assert differing(union_tables(again.out), made) == []
    pd.testing.assert_frame_equal(store_of(town).read_known().table, made.known.table)
    assert made.tables["choices"]["state"].nunique() > 2


class Failing:
    """A loop that dies at one part, as a killed run would."""

    def __init__(self, left: int) -> None:
        self.left = left

    def __enter__(self) -> Failing:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        for number in numbers:
            if not self.left:
                raise KeyboardInterrupt
            self.left -= 1
            yield number, task(folder, number)


def test_a_broken_run_goes_on_where_it_was(
    finished: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Broken once all is counted and two parts are proposed: the same bytes, no part twice.

    Rows put on pipes to count the quantities of prices are not put there again to propose.
    """
    placed = []
    place_rows = rule_step.place_rows
    monkeypatch.setattr(
        rule_step, "place_rows", lambda *given: placed.append(1) or place_rows(*given)
    )
    town = Path(shutil.copytree(finished, tmp_path / "town"))
    expected = contents(town / "out" / "city")
    parts = len(list((town / HOME / "parts").iterdir()))
    for path in (town / HOME, town / "out"):
        shutil.rmtree(path)
    (town / "project.gpkg").unlink()
    with pytest.raises(KeyboardInterrupt):
        run_city(town, Failing(parts + 2), most=MOST)
    assert not (town / "out").exists()
    again = run_city(town, PlainLoop(), most=MOST)
    assert again.redone == parts - 2
    assert contents(again.out) == expected
    assert len(placed) == parts
    assert not list((town / HOME).glob("parts/*/ruled"))


def die_once(folder: str, number: int) -> dict[str, object]:
    """Kill the own process the first time that part 1 is worked on."""
    mark = Path(folder) / "died"
    if number == 1 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return work.part_work(folder, number)


class Dying(Processes):
    """A process that is killed in the middle of its work."""

    def run(self, task: Task, folder: str, numbers: Sequence[int]) -> Done:
        return super().run(die_once if task is work.part_work else task, folder, numbers)


def test_a_killed_process_costs_only_its_own_time(finished: Path, tmp_path: Path) -> None:
    """SIGKILL in the middle of a part, another process after it: the bytes of the plain loop."""
    town = Path(shutil.copytree(finished, tmp_path / "town"))
    shutil.rmtree(town / HOME)
    (town / "project.gpkg").unlink()
    with Dying(1) as pool:
        made = run_city(town, pool, most=MOST)
    assert (town / HOME / "died").exists()
    assert contents(made.out) == contents(finished / "out" / "city")


def test_parts_of_a_larger_city_hold_more_pipes() -> None:
    """24 parts of 2,000 pipes are 48,000, of 4,000 they are 96,000: there it doubles, and again."""
    assert [most_of(n) for n in (0, 10_000, 47_999)] == [2_000] * 3
    assert [most_of(n) for n in (48_000, 95_999)] == [4_000] * 2
    assert [most_of(n) for n in (96_000, 191_999)] == [8_000] * 2
    assert [most_of(n) for n in (192_000, 1_000_000)] == [16_000] * 2


def test_parts_hold_whole_catchments_and_cut_only_huge_ones() -> None:
    """Components by networkx: one part each, but where they have more pipes than a part holds."""
    draw = np.random.default_rng(3)
    frame = _network(draw, [3, 90, 1, 12, 30, 7, 7, 1, 1, 25])
    part = part_pipes(frame, 30)
    sizes = np.bincount(part)
    assert sizes.min() > 0
    assert sizes.max() <= 30
    graph = nx.Graph()
    graph.add_edges_from(zip(frame["us_node"], frame["ds_node"], strict=True))
    of_pipe = dict(zip(frame["us_node"], part, strict=True))
    for nodes in nx.connected_components(graph):
        parts = {of_pipe[node] for node in nodes if node in of_pipe}
        assert len(parts) == 1 or len(nodes) > 31


def test_one_catchment_more_leaves_other_parts_alone() -> None:
    """Of 400 in parts of 60 pipes at most, one new one touches a few, and never many."""
    draw, touched = np.random.default_rng(4), []
    for new in range(10, 400, 20):
        frame = _network(draw, list(draw.integers(1, 20, 400)))
        before = _sets(frame)
        gone = frame[~frame["pipe_id"].str.startswith(f"C{new:04d}-")].reset_index(drop=True)
        touched.append(len(before - _sets(gone)))
        assert len(before) > 50
    assert np.mean(touched) <= 4
    assert max(touched) <= 15


def test_parts_are_at_least_half_full() -> None:
    """All but the last, where no catchment is larger than half of a part: of 100 pipes at most."""
    draw = np.random.default_rng(5)
    for _ in range(5):
        frame = _network(draw, list(draw.integers(1, 50, int(draw.integers(1, 120)))))
        sizes = np.bincount(part_pipes(frame, 100))
        assert sizes.max() <= 100
        assert (sizes[:-1] >= 50).all()


def _sets(frame: pd.DataFrame) -> set[frozenset[str]]:
    part = part_pipes(frame, 60)
    return {frozenset(rows) for _, rows in frame["pipe_id"].groupby(part)}


def _network(draw: np.random.Generator, sizes: list[int]) -> pd.DataFrame:
    rows, lines = [], []
    for number, size in enumerate(sizes):
        for at in range(size):
            down = f"C{number:04d}-{draw.integers(max(0, at - 3), at):03d}" if at else "out"
            name = f"C{number:04d}-{at:03d}"
            end = down if at else f"{name}-out"
            rows.append({"pipe_id": name, "us_node": name, "ds_node": end})
            x, y = draw.uniform(0, 5000, 2)
            lines.append(shapely.LineString([(x, y), (x + 40, y)]))
    return conform(gpd.GeoDataFrame(rows, geometry=lines, crs="EPSG:25832"), PIPES)


CHANGE = Renumbering(900_000_000, {"D": np.array([41, 42, 1_000_007]), "S": np.array([5])})
CITY = {"D-900000001": "D-000041", "D-900000002": "D-000042", "D-900000003": "D-1000007",
        "S-900000001": "S-000005"}  # fmt: skip


def one_by_one(text: str) -> str:
    """Put the city's ids into one text by a regular expression: the readable way."""
    return re.sub(r"\b[DS]-9\d{8}\b", lambda found: CITY.get(found[0], found[0]), text, flags=re.A)


def in_one_go(texts: object) -> list[str]:
    found = CHANGE.texts(texts)
    assert found is not None
    return list(found.to_pylist())


def test_ids_in_texts_are_those_of_the_city_and_nobody_elses_are_touched() -> None:
    """A fingerprint's digest is that of its text; a number that only looks alike stays."""
    said = ["mends D-900000001+D-900000002, not D-9000000011 or D-900000009"]
    city = ["mends D-000041+D-000042, not D-9000000011 or D-900000009"]
    assert in_one_go(said) == city
    prints = pd.DataFrame({"fingerprint": [digest_of("mends D-900000001"), "nothing"]})
    changed = CHANGE.table(arrow_table(prints.astype("str")))["fingerprint"]
    assert changed.to_pylist() == [digest_of("mends D-000041"), "nothing"]


def test_texts_in_one_go_are_those_one_by_one() -> None:
    """5,000 texts of random bits of ids, letters of any script and nothing, against a regex."""
    draw = np.random.default_rng(5)
    bits = [*CITY, "D-900000004", "D-9000", "00001", "D-", "-", "S", "9", "_", "x", " ", "|", "",
            "\u00e9", "\u4e2d", "+", "D-900000001", "S-900000001"]  # fmt: skip
    texts = ["".join(draw.choice(bits, draw.integers(0, 6))) for _ in range(5000)]
    expected = [one_by_one(text) for text in texts]
    assert sum(one != other for one, other in zip(texts, expected, strict=True)) > 1000
    column = pd.Series(["D-900000001", *texts], dtype="str")
    # A slice has its first text elsewhere than at the beginning of its bytes.
    assert in_one_go(column.iloc[1:].array) == expected
    assert CHANGE.texts(["D-90000000", "1", ""]) is None


def test_a_text_that_holds_a_parts_own_id_is_stepped_aside_of(finished: Path) -> None:
    """A remark naming D-900000001 moves the part's numbers to another hundred million."""
    inputs, decisions = read_project(finished), store_of(finished).read_decisions()
    assert free_base(inputs, decisions) == 900_000_000
    rows = inputs.observations.assign(remark="like D-900000001")
    assert free_base(inputs.with_rows(observations=rows), decisions) == 800_000_000


def test_a_city_whose_numbers_reach_those_of_its_parts_is_refused() -> None:
    """From 200 million on, the least number of a part: an id of either could be the other's."""
    fresh = pd.DataFrame({"pipe_id": ["a", "b"], "span": [2, 1], "sleeve": [0, 0]})
    last = {"span": 200_000_000 - 4, "sleeve": 0}
    [own] = number_pipes([fresh], last)
    assert own["span"].tolist() == [last["span"], last["span"] + 2]
    for beyond in ({**last, "span": last["span"] + 1}, {**last, "sleeve": 10**9}):
        with pytest.raises(CityError, match=r"ids of s\w+ run up to \d+, .* sleeveplan plan"):
            number_pipes([fresh], beyond)


def test_what_is_written_comes_back(finished: Path, tmp_path: Path) -> None:
    """Pipes with shapes, numbers, blanks and repeated texts; a torn file is one line.

    That texts are kept as codes is asked of the file's own list of encodings.
    """
    pipes = read_project(finished).pipes
    path = tmp_path / "pipes.parquet"
    write_frame(path, pipes.iloc[::-1])
    back = read_frame(path, PIPES)
    pd.testing.assert_frame_equal(pd.DataFrame(back), pd.DataFrame(pipes))
    assert back.crs == pipes.crs
    chunk = pq.ParquetFile(path).metadata.row_group(0)
    kept = {chunk.column(n).path_in_schema: chunk.column(n).encodings
            for n in range(chunk.num_columns)}  # fmt: skip
    assert "RLE_DICTIONARY" in kept["material"]
    first = path.read_bytes()
    write_frame(path, pipes.iloc[::-1])
    assert path.read_bytes() == first
    path.write_bytes(first[: len(first) // 2])
    with pytest.raises(CityError, match="no table as a city's run wrote it"):
        read_frame(path, PIPES)


@pytest.mark.parametrize("named", ["by place", "otherwise", "of no run"])
def test_rows_know_their_run_by_its_place(finished: Path, tmp_path: Path, named: str) -> None:
    """What is read is what was written; texts stand in the file where no place gives them."""
    inputs, store = read_project(finished), store_of(finished)
    town = split_town(inputs, store.read_known(), store.read_decisions(), MOST)
    tables = town.part(1)
    rows = tables["observations"]
    assert len(rows) > 50
    if named == "otherwise":
        rows = rows.assign(observation_id="x" + rows["observation_id"])
    if named == "of no run":
        rows = rows.assign(inspection_id=["nobody's", *rows["inspection_id"].iloc[1:]])
    write_rows(tmp_path / "rows", {**tables, "observations": rows})
    back = read_rows(tmp_path / "rows")
    pd.testing.assert_frame_equal(back.held["observations"].frame, conform(rows, OBSERVATIONS))
    runs = conform(tables["inspections"], INSPECTIONS)
    pd.testing.assert_frame_equal(back.held["inspections"].frame, runs)
    assert back.matched.refused.tolist() == tables["matching"]["refused"].tolist()
    assert back.matched.through.tolist() == tables["matching"]["through"].tolist()
    kept = pq.read_schema(tmp_path / "rows" / "observations.parquet")
    assert ("run" in kept.names) == (named == "by place")
    assert ("observation_id" in kept.names) == (named != "by place")
    if named == "by place":
        assert str(kept.field("run").type) == "int32"


@pytest.mark.parametrize(("name", "column"), [("observations", "row"),
                                              ("inspections", "inspection_id"),
                                              ("inspections", "size_mm"),
                                              ("pipes", "material")])  # fmt: skip
def test_rows_that_lack_a_column_are_damaged(
    finished: Path, tmp_path: Path, name: str, column: str
) -> None:
    """As by one byte flipped in a column's name, which no check sum of a page covers."""
    inputs, store = read_project(finished), store_of(finished)
    town = split_town(inputs, store.read_known(), store.read_decisions(), MOST)
    write_rows(tmp_path / "rows", town.part(1))
    path = tmp_path / "rows" / f"{name}.parquet"
    held = pq.read_table(path)
    names = [f"{one}x" if one == column else one for one in held.column_names]
    pq.write_table(held.rename_columns(names), path)
    with pytest.raises(CityError, match=rf"{name}\.parquet: no table as a city's run wrote it"):
        read_rows(tmp_path / "rows")


def test_other_code_is_refused_by_a_worker() -> None:
    same_code(code_mark())
    with pytest.raises(CityError, match=r"another version of sleeveplan .* run 9\.9\.9 abc"):
        same_code("9.9.9 abc")


def test_two_runs_at_once_are_one_too_many(town: Path) -> None:
    with (town / HOME / "lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(CityError, match="another run of this city is under way"):
            run_city(town, PlainLoop(), most=MOST)


def test_the_command_says_what_it_came_to(town: Path) -> None:
    """Figures by hand from the tables; where they lie; wrong use is wrong use."""
    tables = union_tables(town / "out" / "city")
    done = CliRunner().invoke(app, ["city", str(town), "--workers", "1"])
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert f"sleeves    {len(tables['sleeves'])} placed" in lines
    assert f"spans      {len(tables['spans'])}" in lines
    cents = tables["choices"].groupby("state")["cost_cents"].sum()
    assert any(line.startswith("money") and f"{cents['held'] / 100:,.2f} held" in line
               for line in lines)  # fmt: skip
    assert lines[-1].startswith(f"results    {town / 'out' / 'city'}")
    both = CliRunner().invoke(
        app, ["city", str(town), "--workers", "1", "--scheduler", "tcp://x:1"]
    )
    assert both.exit_code == 2


def test_the_benchmark_of_a_small_city_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """A changed row touches one part; what was decoded and what grew is counted."""
    monkeypatch.setattr(bench, "WARM", 8)
    result = bench.run(24)
    assert result.ratios["parts redone for one changed row"] == 1
    assert result.ratios["read, locate, screen / decoding"] > 1
    assert set(result.goals) <= set(result.ratios)


def test_garbage_is_looked_for_as_before_once_a_part_is_done() -> None:
    """Also where the part fails: the settings of the process are those it had."""
    gc.unfreeze()  # a page opened by another test may hold what it reads
    before = gc.get_threshold()

    @rarely
    def part(*, fails: bool) -> tuple[int, int, int]:
        if fails:
            raise CityError
        return gc.get_threshold()

    assert part(fails=False)[0] > before[0]
    with pytest.raises(CityError):
        part(fails=True)
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0


def test_steps_of_two_threads_that_overlap_leave_the_search_as_it_was() -> None:
    gc.unfreeze()
    before, begun, go_on = gc.get_threshold(), threading.Event(), threading.Event()

    @rarely
    def first() -> None:
        begun.set()
        go_on.wait(10)

    other = threading.Thread(target=first)
    other.start()
    begun.wait(10)

    @rarely
    def second() -> None:
        go_on.set()
        other.join()

    second()
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0
