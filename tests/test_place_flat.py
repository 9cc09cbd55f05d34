"""Pipes placed all at once over flat arrays against the readable way, pipe by pipe."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import numpy as np
import pandas as pd
import pytest
from pipe_problems import STOCK_M, Kind, random_offer, random_pipe

from planner.contracts import SLEEVES
from planner.repairs.catalogue import Offers
from planner.repairs.place import _Outcome, _place_flat, _place_on
from planner.repairs.place_flat import FlatPipes, Pipe
from planner.repairs.place_flat_kernel import is_sound
from planner.repairs.place_flat_rows import rows_flat
from planner.repairs.place_rows import Rows, merged, rows_of
from planner.repairs.way import Bar, Passer
from planner.repairs.zones import Line, Offer, down_cm, faults_of, up_cm
from planner.repairs.zones_kernel import down_whole_cm, up_whole_cm
from planner.settings import load_settings
from planner.tables import conform

SLEEVING = load_settings({}).sleeving
KINDS = (Kind(1.0, 9.0, 4, 3.0), Kind(6.0, 60.0, 6, 6.0, 0.1, 0.2), Kind(2.0, 30.0, 3, 4.0, 0.0))


def places_on_halves(random: Random) -> list[float]:
    """Places [m] on and beside a half of the last figure that rounding to a micrometre keeps."""
    found = []
    for _ in range(20_000):
        at = (random.randint(-20_000, 200_000_000) + random.choice([0.0, 0.5])) / 1e6
        found += [at, math.nextafter(at, -math.inf), math.nextafter(at, math.inf)]
    return found


def test_centimetres_are_rounded_as_python_rounds_them():
    """60 000 places on and beside halves: the kernel's whole numbers are those of `zones`."""
    places = places_on_halves(Random(1))
    halves = sum(abs(at * 1e6 - round(at * 1e6)) > 0.4 for at in places)
    assert halves > 20_000
    assert [at for at in places if down_whole_cm(at) != down_cm(at)] == []
    assert [at for at in places if up_whole_cm(at) != up_cm(at)] == []


def drawn_offer(random: Random, name: str) -> Offer:
    """Draw a system: lengths, prices that may be missing, packers that bars may stop."""
    lengths = random.choice([STOCK_M, STOCK_M[2:], (1.0,), (0.6, 3.0)])
    limits = (random.choice([math.nan, 0.1]), math.nan)
    return replace(
        random_offer(random, lengths),
        system=name,
        priced=random.random() < 0.8,
        reopen_priced=random.random() < 0.8,
        seal=random.choice([0, 0, 5_000]),
        seal_priced=random.random() < 0.8,
        by_counter=random.random() < 0.3,
        overlap_m=random.choice([0.0, 0.3, 0.4]),
        packers=(Passer("P", 3.0, 100.0, *limits), Passer("Q", 3.0, 100.0, *limits)),
    )


def drawn_line(random: Random, number: int) -> Line:
    """Draw a pipe; spans with assumed extents, some with bars that a packer may not pass."""
    line = random_pipe(random, random.choice(KINDS))[0]
    pipe_id, length = f"p{number:03d}", line.length_m
    if random.random() < 0.3:
        length = round(length, 2)
    spots = []
    for spot in line.spots:
        start, end = min(spot.from_m, length), min(spot.to_m, length)
        bare = random.choice([(start, end), (start, start), (end, end)])
        spots.append(
            spot._replace(
                span_id=f"{pipe_id}-{spot.span_id}",
                from_m=start,
                to_m=end,
                find_m=random.choice([0.2, 0.5]),
                unsound=spot.wanted or random.random() < 0.8,
                bare_from_m=bare[0],
                bare_to_m=bare[1],
                counter_node=random.choice("ab"),
            )
        )
    bars = ()
    if random.random() < 0.3:
        first, last = sorted(random.uniform(0.0, length) for _ in range(2))
        bars = tuple(
            Bar(str(at), "joint_offset", "offset_ratio", at, at + 0.1, 0.2, 0.2)
            for at in (first, last)
        )
    known = random.choice([0.0, 2.0]), length * random.choice([1.0, random.random()])
    return replace(
        line,
        pipe_id=pipe_id,
        length_m=length,
        spots=tuple(spots),
        bars=bars,
        known_from_m=known[0],
        known_to_m=known[1],
    )


def drawn_pipes(seed: int, count: int) -> list[Pipe]:
    """Draw pipes with none, one or two systems each, some barred over a stretch by a rule."""
    random = Random(seed)
    shared = Offers((drawn_offer(random, "felt"),), ("glass does not come for DN 200",))
    pipes = []
    for number in range(count):
        line = drawn_line(random, number)
        offers = shared
        if random.random() < 0.6:
            names = ("felt", "glass")[: random.choice([0, 1, 2, 2])]
            offers = Offers(tuple(drawn_offer(random, name) for name in names), ("nothing else",))
        boxes = {}
        if random.random() < 0.3:
            at = random.uniform(0.0, line.length_m)
            boxes = {"felt": [(at, min(line.length_m, at + 0.3))]}
        wanted = any(spot.wanted for spot in line.spots)
        pipes += [Pipe(2 * number, line, offers, boxes)] if wanted else []
    return pipes


def one_by_one(pipes: list[Pipe]) -> _Outcome:
    outcome = _Outcome()
    for pipe in pipes:
        _place_on(pipe, SLEEVING, [], outcome)
    return outcome


def all_at_once(pipes: list[Pipe]) -> _Outcome:
    outcome = _Outcome()
    _place_flat(pipes, SLEEVING, outcome)
    return outcome


def frame_of(rows: Rows) -> pd.DataFrame:
    ids = [f"S-{at:05d}" for at in range(len(rows.numbers))]
    return conform({"sleeve_id": ids, **rows.columns}, SLEEVES)


@pytest.fixture(scope="module")
def both() -> tuple[list[Pipe], _Outcome, _Outcome]:
    pipes = drawn_pipes(7, 400)
    return pipes, one_by_one(pipes), all_at_once(pipes)


def test_sleeves_and_all_that_is_said_of_them_are_the_same(both):
    """Of 400 random pipes every figure is the same to the last bit."""
    _, plain, outcome = both
    ours, theirs = rows_flat(outcome.flat), rows_of(plain.fits)
    pd.testing.assert_frame_equal(frame_of(ours), frame_of(theirs), check_exact=True)
    assert ours.numbers == theirs.numbers
    assert (ours.spans, ours.laterals, ours.totals) == (
        theirs.spans,
        theirs.laterals,
        theirs.totals,
    )
    rows = frame_of(ours)
    assert len(rows) > 300
    assert (rows["allowance_cents"].fillna(0) > 0).sum() > 10
    assert rows["cost_cents"].isna().any()
    assert rows["laterals_count"].sum() > 20
    assert set(rows["end"]) >= {"pipe", "us_manhole", "ds_manhole"}


def test_each_span_is_left_for_the_same_reason(both):
    """Reasons of all kinds occur, and are the same word for word."""
    _, plain, outcome = both
    assert outcome.left == plain.left
    assert outcome.unreached == plain.unreached
    said = " ".join(why for *_, why in outcome.left)
    for part in ("needs ", "between the walls", "none may lie", "of a lateral", "sound pipe",
                 "comes to it", "a rule about sleeves", "would fit", "nothing else"):  # fmt: skip
        assert part in said, part


def test_what_was_chosen_is_the_same_as_a_fit(both):
    """The fits of some pipes, made again, are those of the readable way."""
    pipes, plain, outcome = both
    ids = {pipe.line.pipe_id for pipe in pipes[::7]}
    theirs = [fit for _, fit in plain.fits if fit.line.pipe_id in ids]
    assert outcome.flat.fits(ids) == theirs
    assert theirs


def test_rows_of_both_ways_are_merged_in_order_of_lines(both):
    """Every third pipe one by one, the rest at once: the rows are those of one way alone."""
    pipes, plain, _ = both
    some = one_by_one(pipes[::3])
    rest = all_at_once([pipe for at, pipe in enumerate(pipes) if at % 3])
    rows, whole = merged(rows_of(some.fits), rows_flat(rest.flat)), rows_of(plain.fits)
    pd.testing.assert_frame_equal(frame_of(rows), frame_of(whole), check_exact=True)
    assert (rows.numbers, rows.spans, rows.totals) == (whole.numbers, whole.spans, whole.totals)


def test_raw_metres_find_the_same_sleeves_sound():
    """Random sleeves on random pipes, most of them unsound in some way, alone and as a second."""
    random, answers = Random(3), []
    for pipe in drawn_pipes(11, 300):
        if not pipe.offers.offers:
            continue
        flat = FlatPipes([pipe], SLEEVING)
        line, rules = pipe.line, flat.cases[0].rules
        reach = np.array([rules.reach_m(spot) for spot in line.spots])
        for _ in range(4):
            start = random.choice([0.0, -0.1, random.uniform(0.0, line.length_m)])
            end = random.choice([line.length_m, min(start + 1.0, line.length_m + 0.1)])
            before = start - random.choice([5.0, rules.gap_m, rules.gap_m / 2, -0.1])
            sleeves = [(before - 1.0, before), (start, end)]
            length = down_cm(line.length_m)
            said = faults_of(line, rules, sleeves, length, [sleeves[0]]) == []
            answers.append(said)
            assert is_sound(flat.flat, 0, reach, (start, end), before, length) == said
    assert 30 < sum(answers) < len(answers) - 30


def test_a_fault_in_raw_metres_stops_the_run(monkeypatch: pytest.MonkeyPatch):
    """A case that the kernel finds wrong is looked at again, and says what is wrong."""
    pipes = drawn_pipes(7, 20)
    monkeypatch.setattr(FlatPipes, "wrong", lambda self: self.cases[:1])
    monkeypatch.setattr("planner.repairs.place.faults_of", lambda *_: ["it leaves the pipe"])
    with pytest.raises(AssertionError, match="it leaves the pipe"):
        all_at_once(pipes)


def test_a_place_that_is_no_number_is_refused():
    """As the readable way does, which cannot round it."""
    pipe = drawn_pipes(7, 20)[0]
    bad = pipe.line.spots[0]._replace(find_m=math.nan)
    line = replace(pipe.line, spots=(bad, *pipe.line.spots[1:]))
    with pytest.raises(ValueError, match="not a number"):
        FlatPipes([replace(pipe, line=line)], SLEEVING)
