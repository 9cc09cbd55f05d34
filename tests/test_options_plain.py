"""The ways of many pipes at once against the plain reading way by way, on random towns."""

from __future__ import annotations

from random import Random

import pandas as pd
import pytest
from one_pipe import felt, lateral, pipe, price, prices, sleeve, span, town, verdict
from pandas.testing import assert_frame_equal
from plain_ways import plain_break_even, plain_options

from planner.contracts.repairs import STEPS, WAYS
from planner.repairs.break_even import break_even
from planner.repairs.options import price_options
from planner.settings import Sleeving, load_settings

PIPES = 14
STATES = ("open", "open", "asked", "closed")
NEEDS = ("mend", "mend", "mend", "maintain", "watch", "nothing")
FIRST = ("cut_roots", "cut_intrusion", "descale", "grout", "look", "prove_laterals", "clean")
SYSTEMS = ("felt", "glass")
ITEMS = ("setup", "setup_liner", "setup_dig", "end_seal", *STEPS)


def random_town(random: Random) -> dict[str, pd.DataFrame]:
    """Pipes with spans in some of the same places, and sleeves over some that are open."""
    pipes, spans, verdicts, sleeves, serves, taps, covers = [], [], [], [], [], [], []
    for number in range(PIPES):
        pipe_id, size = f"p{number:02d}", random.choice([150.0, 200.0, 300.0, 1000.0, None])
        known = random.choice([40.0, 40.0, 12.0, None])
        pipes.append(pipe(pipe_id, dn_mm=size, laterals_known_to_m=known))
        states = random.choices(["open", "closed", "unknown"], k=random.randint(0, 3))
        taps += [lateral(9.0 * at + 1, state, pipe_id) for at, state in enumerate(states)]
        for at in range(random.randint(1, 5)):
            span_id, from_m = f"D-{number:02d}-{at}", 7.0 * random.randint(0, 4)
            to_m = from_m + random.choice([0.0, 0.333, 1.0])
            spans.append(span(span_id, from_m, to_m, pipe_id))
            said = {way: random.choice(STATES) for way in ("sleeve", "liner", "dig")}
            said["first"] = "+".join(random.sample(FIRST, random.choice([0, 0, 1, 3])))
            said["urgency"] = random.choice(["", "programme", "now"])
            verdicts.append(verdict(span_id, pipe_id, needs=random.choice(NEEDS), **said))
            if size and said["sleeve"] == "open" and random.random() < 0.8:
                sleeve_id = f"S-{random.randrange(10**6):06d}-{len(sleeves)}"
                more = {
                    "cost_cents": random.choice([None, 900_000_00, 812_345_67]),
                    "end": random.choice(["pipe", "us_manhole", "ds_manhole", "both"]),
                    "laterals_unknown": random.random() < 0.3,
                    "system": random.choice(SYSTEMS),
                    "dn_mm": size,
                }
                sleeves.append(sleeve(sleeve_id, from_m, to_m + 0.9, pipe_id, **more))
                serves.append((sleeve_id, span_id))
                if at and random.random() < 0.3:
                    serves.append((sleeve_id, f"D-{number:02d}-{at - 1}"))
                covers += [(sleeve_id, f"x{tap}") for tap in range(random.choice([0, 0, 1, 2]))]
    flat = [felt(system=one, flat_ends=random.choice([True, True, False, None])) for one in SYSTEMS]
    return town(
        spans, verdicts, sleeves, serves, pipes=pipes, laterals=taps, covers=covers,
        systems=flat if random.random() < 0.9 else [],
    )  # fmt: skip


def random_prices(random: Random) -> pd.DataFrame:
    """Some items priced, some for a system, a band of sizes, a least length or a least sum."""
    broad = {"dn_from_mm": 0.0, "dn_to_mm": 900.0}
    mains = random.sample(("liner", "dig", "reopen"), random.choice([2, 3, 3]))
    rows = [{**price(item, 700_00), **broad} for item in mains]
    for item in random.sample(ITEMS, random.randint(4, len(ITEMS))):
        for at in range(random.randint(1, 3)):
            low, high = random.choice(
                [(0.0, 1200.0), (0.0, 1200.0), (150.0, 250.0), (200.0, 600.0)]
            )
            more = {
                "price_id": f"{item}-{at}",
                "system": random.choice(["", "", "felt"]),
                "dn_from_mm": low,
                "dn_to_mm": high,
                "least_m": random.choice([None, 20.0]),
                "least_cents": random.choice([None, 4_000_00]),
                "year": random.choice([None, 2022, 2024]),
                "place": random.choice(["", "our own tender"]),
            }
            each, per_m = random.randrange(9_000_00), random.choice([0, 33_33, 123_45])
            rows.append({**price(item, each, per_m, random.choice([0.0, 2.0])), **more})
    return prices(*rows)


def random_lives(random: Random) -> Sleeving:
    lives = {f"{part}_life_years": random.choice([12, 50, 33.3, 80]) for part in PARTS}
    return load_settings({"sleeving": {**lives, "max_per_pipe_count": 3}}).sleeving


PARTS = ("sleeve", "liner", "dig")


@pytest.mark.parametrize("seed", range(16))
def test_all_ways_at_once_are_as_one_by_one(seed: int):
    random = Random(seed)
    tables, book, lives = random_town(random), random_prices(random), random_lives(random)
    made = price_options(tables, book, lives)
    options, lines = plain_options(tables, book, lives)
    assert_frame_equal(made.option_lines, lines, check_exact=True)
    said = made.options.assign(why=made.options["why"].where(made.options["possible"], "barred"))
    assert_frame_equal(said, options, check_exact=True)
    counts = break_even(made.options, made.option_lines, lives)
    plain = plain_break_even(options, lines, lives)
    assert_frame_equal(counts.assign(why="-"), plain, check_exact=True, check_dtype=False)


def test_the_random_towns_have_what_they_shall():
    """Each way is possible somewhere, costed and not; moves, laps of places, sealed ends."""
    found = []
    for seed in range(16):
        random = Random(seed)
        made = price_options(random_town(random), random_prices(random), random_lives(random))
        found.append((made.options, made.option_lines))
    options, lines = (pd.concat(tables) for tables in zip(*found, strict=True))
    able = options[options["possible"].astype(bool)]
    for part in (able[able["cost_cents"].isna()], able[able["cost_cents"].notna()]):
        assert set(part["method"]) == set(WAYS)
    grounded = {"cut_out", "resurvey"}
    assert set(lines["item"]) == {*ITEMS} - grounded
    assert (lines["times_count"] > 1).any()
    assert (lines["note"] != "").any()


def test_no_pipe_has_no_ways():
    tables = town([], [])
    made = price_options(tables, prices(), load_settings({}).sleeving)
    assert made.options.empty
    assert made.option_lines.empty
    assert break_even(made.options, made.option_lines, load_settings({}).sleeving).empty
