"""What must hold of every sleeve, whatever the pipe: on raw metres, not on the grid."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import lateral, pipe, price, span, town, verdict
from pipe_problems import Kind, random_pipe
from sleeve_supply import REOPEN, SLEEVE, packer, size, supply, system

from planner.ground.ids import NOTHING_KNOWN
from planner.repairs.place import Placed, _fit, place_sleeves
from planner.repairs.place_kernel import place_sleeves_on
from planner.repairs.place_plain import is_allowed
from planner.repairs.problem import measure
from planner.repairs.zones import Line, Offer, Rules, Spot, Tap, set_problem
from planner.settings import load_settings

SLEEVING = load_settings({}).sleeving
EPS = 1e-6
STREET = Kind(least_m=5.0, most_m=30.0, defects=5, lateral_every_m=5.0)
SUPPLY = supply(
    systems=[system(), system("glass", cure="light", overlap_m=0.35)],
    sizes=[size(lengths="0.6+1.0+1.2+1.5+2.0"), size("glass", lengths="1.0+2.0+3.0")],
    packers=[packer(), packer("L", cures="light")],
    prices=[
        SLEEVE,
        {**price("sleeve", 1_050_00, 150_00, 1.0), "price_id": "g", "system": "glass"},
        REOPEN,
    ],
)


def street(random: Random, pipes: int = 25) -> dict:
    """Draw pipes with spans of all verdicts and laterals, in the product's own tables."""
    rows: dict[str, list] = {"pipes": [], "spans": [], "verdicts": [], "laterals": []}
    for at in range(pipes):
        pipe_id = f"p{at:02d}"
        length = round(random.uniform(2.0, 40.0), random.choice([2, 5]))
        rows["pipes"].append(
            pipe(pipe_id, length_m=length, laterals_known_to_m=length * random.random())
        )
        for number in range(random.randint(1, 6)):
            start = random.uniform(0.0, length)
            end = min(length, start + random.choice([0.0, 0.1, 0.4, 1.5]))
            span_id = f"{pipe_id}-{number}"
            more = {"counter_node": f"{pipe_id}-{random.choice('ab')}"}
            more["extent_from"] = random.choice(["coded", "assumed"])
            rows["spans"].append({**span(span_id, start, end, pipe_id), **more})
            state = random.choice(["open"] * 8 + ["closed", "asked"])
            needs = random.choice(["mend"] * 5 + ["watch", "nothing"])
            rows["verdicts"].append(verdict(span_id, pipe_id, sleeve=state, needs=needs))
        for x_m in sorted(random.uniform(0.0, length) for _ in range(random.randint(0, 4))):
            state = random.choice(["open", "closed", "unknown"])
            rows["laterals"].append(
                {**lateral(x_m, state, pipe_id), "size_mm": random.choice([None, 100.0])}
            )
    return rows


def placed_on(rows: dict) -> Placed:
    tables = town(rows["spans"], rows["verdicts"], pipes=rows["pipes"], laterals=rows["laterals"])
    return place_sleeves(tables, SUPPLY, SLEEVING, NOTHING_KNOWN, find_m=0.3)


def overlap_of(system_name: str) -> float:
    return {"felt": 0.30, "glass": 0.35}[system_name]


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6))
def test_sleeves_hold_on_raw_metres(seed: int):
    """Overlap and doubt on sound pipe or a manhole, inside, apart, in no zone, on nothing closed.

    Reckoned from the tables that went in and came out, without the grid.
    """
    rows = street(Random(seed))
    placed = placed_on(rows)
    spans = pd.DataFrame(rows["spans"]).merge(pd.DataFrame(rows["verdicts"]), on="span_id")
    pipes = {row["pipe_id"]: row for row in rows["pipes"]}
    served = placed.sleeve_spans.groupby("sleeve_id")["span_id"].agg(set).to_dict()
    last: dict[str, float] = {}
    for row in placed.sleeves.to_dict("records"):
        start, end, pipe_id = row["from_m"], row["to_m"], row["pipe_id"]
        length = pipes[pipe_id]["length_m"]
        reach = overlap_of(row["system"]) + 0.10
        at_us, at_ds = row["end"] in ("us_manhole", "both"), row["end"] in ("ds_manhole", "both")
        assert (start == 0.0) == at_us
        assert (end == length) == at_ds
        assert at_us or start >= 0.3 - EPS
        assert at_ds or end <= length - 0.3 + EPS
        assert row["length_m"] == pytest.approx(end - start)
        assert start >= last.get(pipe_id, -1.0) + 0.5 - EPS
        last[pipe_id] = end
        assert served[row["sleeve_id"]]
        for other in spans[spans["pipe_id_x"] == pipe_id].to_dict("records"):
            low, high = other["from_m"], other["to_m"]
            if other["span_id"] in served[row["sleeve_id"]]:
                assert at_us or start <= low - reach + EPS
                assert at_ds or end >= high + reach - EPS
            if other["sleeve"] != "open":
                assert end <= low + EPS or start >= high - EPS
            # Sound pipe under both ends: beside it altogether, or beyond it by overlap and doubt.
            assert at_us or start <= low - reach + EPS or start >= high - EPS
            assert at_ds or end <= low + EPS or end >= high + reach - EPS
        for tap in rows["laterals"]:
            if tap["pipe_id"] == pipe_id:
                edge = (tap["size_mm"] or 150.0) / 2000.0 + 0.15
                assert at_us or abs(start - tap["x_m"]) >= edge - EPS
                assert at_ds or abs(end - tap["x_m"]) >= edge - EPS


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10**6))
def test_every_span_asked_for_is_served_once_or_left_with_a_reason(seed: int):
    """Nothing vanishes, and nothing is served that was not asked for."""
    rows = street(Random(seed))
    placed = placed_on(rows)
    wanted = {
        row["span_id"]
        for row in rows["verdicts"]
        if row["needs"] == "mend" and row["sleeve"] == "open"
    }
    found = [*placed.sleeve_spans["span_id"], *placed.left_over["key"]]
    assert sorted(found) == sorted(wanted)
    assert (placed.left_over["reason"].str.len() > 20).all()
    bills = placed.sleeves["cost_cents"] - 150_00 * placed.sleeves["laterals_count"]
    assert (bills >= 1_000_00).all()
    counts = placed.sleeve_laterals["sleeve_id"].value_counts()
    laterals = placed.sleeves.set_index("sleeve_id")["laterals_count"]
    assert (counts.reindex(laterals.index).fillna(0) == laterals).all()


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 10**6))
def test_the_order_of_rows_changes_nothing(seed: int):
    """Permuting every table gives equal tables."""
    random = Random(seed)
    rows = street(random)
    before = placed_on(rows)
    for part in rows.values():
        random.shuffle(part)
    after = placed_on(rows)
    for name in ("sleeves", "sleeve_spans", "sleeve_laterals", "pipe_totals", "left_over"):
        pd.testing.assert_frame_equal(getattr(before, name), getattr(after, name))


def mirrored(line: Line) -> Line:
    """The same pipe, counted from its other end."""
    length = line.length_m

    def turn(spot: Spot) -> Spot:
        start, end = length - spot.to_m, length - spot.from_m
        return spot._replace(from_m=start, to_m=end, bare_from_m=start, bare_to_m=end)

    taps = tuple(tap._replace(x_m=length - tap.x_m) for tap in line.taps)
    return replace(line, spots=tuple(turn(spot) for spot in line.spots), taps=taps)


def on_grid(line: Line) -> Line:
    """The same pipe with everything in whole centimetres, so that both ways round alike."""
    spots = tuple(s._replace(from_m=round(s.from_m, 2), to_m=round(s.to_m, 2)) for s in line.spots)
    taps = tuple(Tap(t.lateral_id, round(t.x_m, 2), t.half_m, t.live) for t in line.taps)
    return replace(line, length_m=round(line.length_m, 2), spots=spots, taps=taps)


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 10**6))
def test_reversing_a_pipe_mirrors_its_sleeves(seed: int):
    """Spans served, cost, sleeves, lengths, slack are equal; places mirror but for a tie."""
    line, offer, rules = random_pipe(Random(seed), STREET)
    line = on_grid(line)
    there = set_problem(line, offer, rules)
    back = set_problem(mirrored(line), offer, rules)
    ours, other = place_sleeves_on(there), place_sleeves_on(back)
    assert ours.rank == other.rank
    # The mirrored sleeves may lie here too and are as good; of such the smaller starts count.
    starts = sorted(there.length - end for end in other.ends)
    ends = sorted(there.length - start for start in other.starts)
    assert all(is_allowed(there, a, b) for a, b in zip(starts, ends, strict=True))
    assert measure(there, starts, ends).rank == ours.rank
    assert tuple(starts) >= ours.starts


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.0, 0.0099))
def test_a_pipe_off_the_grid_holds_too(seed: int, shift: float):
    """Whatever part of a centimetre a length has, `faults_of` finds nothing wrong."""
    line, offer, rules = random_pipe(Random(seed), STREET)
    line = replace(line, length_m=line.length_m + shift)
    served, cost = solved(line, offer, rules)
    assert served >= 0
    assert cost >= 0


def solved(line: Line, offer: Offer, rules: Rules) -> tuple[int, int]:
    problem = set_problem(line, offer, rules)
    solution = place_sleeves_on(problem)
    fit = _fit(line, offer, rules, problem, [])  # raises where raw metres fail
    assert len(fit.sleeves) == len(solution.starts)
    return solution.served, solution.cost


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6))
def test_a_longer_catalogue_never_serves_less_nor_costs_more_for_as_much(seed: int):
    """One more stock length can only help."""
    line, offer, rules = random_pipe(Random(seed), STREET)
    fewer = replace(offer, lengths_m=offer.lengths_m[:-2], costs=offer.costs[:-2])
    served, cost = solved(line, offer, rules)
    served_before, cost_before = solved(line, fewer, rules)
    assert (-served, cost) <= (-served_before, cost_before)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.0, 0.0099))
def test_laps_off_the_grid_hold_too(seed: int, shift: float):
    """With laps of 0.10 m and doubt, whatever part of a centimetre a length has.

    Each lap is at least the system's own and the doubt, and never serves fewer spans.
    """
    random = Random(seed)
    line, offer, rules = random_pipe(random, STREET)
    line = replace(line, length_m=line.length_m + shift)
    most = random.choice([float("nan"), 0.25, 0.3])
    lapping = replace(rules, lap_m=0.1, lap_most_m=most)
    problem = set_problem(line, offer, lapping)
    solution = place_sleeves_on(problem)
    fit = _fit(line, offer, lapping, problem, [])  # raises where raw metres fail
    for (_, end), (start, _) in zip(fit.sleeves, fit.sleeves[1:], strict=False):
        assert end - start >= 0.1 + rules.place_m - EPS or start - end >= rules.gap_m - EPS
    assert solution.served >= solved(line, offer, rules)[0]
