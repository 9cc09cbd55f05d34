"""Drives against networkx and by hand; doubts about streets; drives kept for the next run."""

from __future__ import annotations

import math
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from crew_town import settings
from test_travel import KMH, between, drives, street

from planner.crews import travel as reckoning
from planner.crews.street_doubts import street_flags
from planner.crews.travel import Travel, drives_key, reckon
from planner.store.drives import LATEST, DriveStore

CLASSES = {"fast": 72.0, "slow": 18.0}


def random_town(seed: int) -> tuple[list[dict], nx.DiGraph]:
    """Invent a grid with gaps, one-way streets and classes; give it to networkx as well."""
    rng = np.random.default_rng(seed)
    rows, graph = [], nx.DiGraph()
    for x in range(7):
        for y in range(7):
            for far in ((x + 1, y), (x, y + 1)):
                if max(far) > 6 or rng.random() < 0.2:
                    continue
                a, b = (x * 100.0, y * 100.0), (far[0] * 100.0, far[1] * 100.0)
                if rng.random() < 0.5:
                    a, b = b, a
                oneway, name = bool(rng.random() < 0.4), str(rng.choice(["fast", "slow"]))
                more = {"class": name, "speed_kmh": None, "oneway": oneway}
                rows.append(street(f"s{len(rows):03d}", a, b, **more))
                time_s = 100.0 / (CLASSES[name] / 3.6)
                graph.add_edge(a, b, weight=time_s)
                if not oneway:
                    graph.add_edge(b, a, weight=time_s)
    return rows, graph


def unlike_networkx(seconds: np.ndarray, ways: Travel, stops: list, graph: nx.DiGraph) -> int:
    """Count ordered pairs on streets whose time is not that of networkx to half a second."""
    rows = [ways.setup_at[f"U{n}"] for n in range(len(stops))]
    unlike = 0
    for n, source in enumerate(stops):
        far = nx.single_source_dijkstra_path_length(graph, source)
        for m, target in enumerate(stops):
            if not ways.air[rows[n], rows[m]]:
                got = seconds[rows[n], rows[m]]
                unlike += abs(got - far.get(target, math.inf)) > 0.501
    return unlike


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_networkx_finds_the_same_times_and_a_transposed_matrix_is_found_out(seed: int) -> None:
    """Independent library; the streets go to it by their ends, without our graph."""
    rows, graph = random_town(seed)
    largest = max(nx.strongly_connected_components(graph), key=len)
    stops = sorted(largest)  # others are tied to these: a stray street is passed over
    assert len(stops) > 20
    ways = drives(stops, rows, class_kmh=CLASSES)
    assert not ways.air.any()
    assert unlike_networkx(ways.seconds, ways, stops, graph) == 0
    assert unlike_networkx(ways.seconds.T, ways, stops, graph) > 100


def test_the_length_is_that_of_the_quickest_way_whatever_block_a_stop_is_in(monkeypatch) -> None:
    """Blocks of one stop and one block of all give the same; lengths by networkx's own path."""
    rows, graph = random_town(4)
    stops = sorted(max(nx.strongly_connected_components(graph), key=len))
    whole = drives(stops, rows, class_kmh=CLASSES)
    monkeypatch.setattr("planner.crews.street_ways.BLOCK", 1)
    single = drives(stops, rows, class_kmh=CLASSES)
    assert (whole.seconds == single.seconds).all()
    assert (whole.metres == single.metres).all()
    checked = 0
    for n in range(0, len(stops), 5):
        for m in range(0, len(stops), 7):
            _, metres, air = between(whole, n, m)
            if not air and n != m:
                found = nx.all_shortest_paths(graph, stops[n], stops[m], weight="weight")
                assert metres in {100.0 * (len(way) - 1) for way in found}
                checked += 1
    assert checked > 30


def test_speeds_by_class_by_hand() -> None:
    """600 m at 72 km/h (30 s) and 300 m at 18 km/h (60 s): 90 s."""
    rows = [
        street("a", (0, 0), (600, 0), speed_kmh=None, **{"class": "fast"}),
        street("b", (600, 0), (900, 0), speed_kmh=None, **{"class": "slow"}),
    ]
    assert between(drives([(0, 0), (900, 0)], rows, class_kmh=CLASSES), 0, 1) == (90, 900.0, False)


def told(ways: Travel, **week) -> dict[str, str]:
    flags = street_flags(ways, settings(speed_kmh=KMH, **week).week)
    return dict(zip(flags["key"], flags["what"], strict=True))


MAIN = [street("a", (0, 0), (300, 0)), street("b", (300, 0), (300, 400))]


def test_streets_that_hang_together_are_no_doubt() -> None:
    """Two streets that meet, both ways; and no streets at all."""
    assert told(drives([(0, 0), (300, 400)], MAIN)) == {}
    assert told(drives([(0, 0), (300, 400)], [])) == {}


def test_a_part_that_nothing_joins_is_told_with_its_length_and_who_ties_to_it() -> None:
    """700 m hang together; 250 m and 50 m stand apart: 0.30 of 1.00 km in 2 parts."""
    apart = [street("c", (0, 2000), (250, 2000)), street("d", (0, 4000), (50, 4000))]
    said = told(drives([(0, 0), (300, 400), (100, 2000)], [*MAIN, *apart]))
    assert set(said) == {"streets", "set-up U2"}
    assert said["streets"].startswith("2 parts of 0.30 km, of 1.00 km in all")
    assert "a part of 0.25 km that no street joins" in said["set-up U2"]


@pytest.mark.parametrize(
    ("points", "streets_say", "stop_says"),
    [
        ([(0, 0), (-500, 0)], "entered by one-way streets and never left", "not away again"),
        ([(-500, 0), (0, 0)], "left by one-way streets and never entered", "not to it"),
    ],
)
def test_a_one_way_trap_is_told(points, streets_say, stop_says) -> None:
    """A one-way street of 500 m with a dead end: in and never out, or out and never in."""
    rows = [*MAIN, street("t", *points, oneway=True)]
    ways = drives([(300, 400), (-300, 0)], rows)
    said = told(ways)
    assert set(said) == {"streets", "set-up U1"}
    assert said["streets"].startswith("0.50 km of streets")
    assert streets_say in said["streets"]
    assert stop_says in said["set-up U1"]
    there, back = between(ways, 0, 1)[2], between(ways, 1, 0)[2]
    assert (there, back) == ((False, True) if points[0] == (0, 0) else (True, False))


def test_a_yard_and_a_set_up_far_from_their_streets_are_told_beyond_the_limit() -> None:
    """The yard stands at the first stop, 80 m off; the other lies on the limit of 70 m."""
    ways = drives([(100, -80), (200, -70)], MAIN)
    said = told(ways, snap_far_m=70.0)
    assert set(said) == {"crew Crew: yard", "set-up U0"}
    assert all("80 m from the nearest street" in what for what in said.values())
    assert all("week.snap_far_m 70 m" in what for what in said.values())
    assert told(ways, snap_far_m=80.0) == {}


def again(ways: Travel, kept: DriveStore, **week):
    """Reckon the drives of `ways` through a store, as `travel` does."""
    chosen = settings(speed_kmh=KMH, **week).week
    return reckoning._kept_or_made(ways.places, ways.place_of, ways.graph, chosen, kept)


def same(one, two) -> bool:
    return all(np.array_equal(a, b) and a.dtype == b.dtype for a, b in zip(one, two, strict=True))


def test_the_same_week_is_not_reckoned_twice(tmp_path: Path, monkeypatch) -> None:
    """The second time nothing is reckoned; another speed or place is another week."""
    ways = drives([(0, 0), (300, 400)], MAIN)
    moved = drives([(0, 0), (300, 399)], MAIN)
    slower = drives([(0, 0), (300, 400)], [MAIN[0], {**MAIN[1], "speed_kmh": 9.0}])
    first = again(ways, DriveStore(tmp_path))
    calls = []
    monkeypatch.setattr(reckoning, "reckon", lambda *a: calls.append(a) or reckon(*a))
    assert same(first, again(ways, DriveStore(tmp_path)))
    assert calls == []
    again(ways, DriveStore(tmp_path), travel_factor=2.0)
    again(moved, DriveStore(tmp_path))
    again(slower, DriveStore(tmp_path))
    assert len(calls) == 3


@pytest.mark.parametrize("fault", ["cut", "bit", "other", "text"])
def test_a_damaged_file_is_passed_over_with_a_note_and_made_anew(tmp_path: Path, fault) -> None:
    """Cut off, one bit turned, another week's under this name, no archive at all."""
    ways = drives([(0, 0), (300, 400)], MAIN)
    right = again(ways, DriveStore(tmp_path))
    (path,) = tmp_path.glob("*.npz")
    body = bytearray(path.read_bytes())
    if fault == "cut":
        body = body[: len(body) // 2]
    elif fault == "bit":
        at = body.index(right[1].tobytes())
        body[at + 9] ^= 1
    elif fault == "other":
        wrong = (right[0] + 1, right[1], right[2])
        DriveStore(tmp_path / "b").put("f" * 32, wrong)
        body = bytearray((tmp_path / "b" / f"{'f' * 32}.npz").read_bytes())
    else:
        body = bytearray(b"no archive")
    path.write_bytes(bytes(body))
    store = DriveStore(tmp_path)
    assert same(right, again(ways, store))
    assert [path.name in note and "damaged" in note for note in store.notes] == [True]
    good = DriveStore(tmp_path)
    assert same(right, again(ways, good))
    assert good.notes == []


def test_only_the_latest_files_stay_and_none_lies_half_written(tmp_path: Path) -> None:
    """Five weeks one after another leave three; looking up only leaves none."""
    ways = drives([(0, 0), (300, 400)], MAIN)
    for factor in (1.0, 1.1, 1.2, 1.3, 1.4):
        again(ways, DriveStore(tmp_path / "w"), travel_factor=factor)
    week = settings(speed_kmh=KMH, travel_factor=1.4).week
    names = sorted(path.name for path in (tmp_path / "w").iterdir())
    assert len(names) == LATEST
    assert f"{drives_key(ways.places, ways.place_of, ways.graph, week)}.npz" in names
    again(ways, DriveStore(tmp_path / "n", write=False))
    assert not (tmp_path / "n").exists()


def test_a_folder_that_cannot_be_written_costs_a_note_only(tmp_path: Path) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "f").write_text("")
    store = DriveStore(tmp_path / "f")
    ways = drives([(0, 0), (300, 400)], MAIN)
    assert same(again(ways, store), (ways.seconds, ways.metres, ways.air))
    assert any("could not be kept" in note for note in store.notes)
