"""Pipes as columns against the same pipes one by one, on random towns."""

from __future__ import annotations

from collections import Counter
from itertools import product
from random import Random

import numpy as np
import pandas as pd
import pytest
from one_pipe import pipe, span, town, verdict
from pandas.testing import assert_frame_equal
from plain_choose import plain_choose
from test_options_plain import random_lives, random_prices, random_town

from planner.contracts.repairs import WAYS
from planner.repairs.choose import choose
from planner.repairs.jobs import ORDER, jobs_of
from planner.repairs.options import price_options

SEEDS = range(12)
BY = ("cost", "annual")


@pytest.mark.parametrize("seed", SEEDS)
def test_masks_say_what_a_job_says(seed: int):
    jobs = jobs_of(random_town(Random(seed)))
    for number, (job, (way, method)) in enumerate(product(jobs.values(), enumerate(ORDER))):
        at = number // len(ORDER)
        first, last = jobs.spans.at[at : at + 2]
        for marks, spots in (
            (jobs.mend[:, [0] * len(ORDER)], job.mend),
            (jobs.upkeep[:, [0] * len(ORDER)], job.upkeep),
            (jobs.dug, job.dug(method)),
            (jobs.unserved, job.unserved(method)),
        ):
            own = np.flatnonzero(marks[first:last, way]) + first
            assert [jobs.spans.ids[row] for row in own] == [spot.span_id for spot in spots]
        first, last = jobs.sleeves.at[at : at + 2]
        kept = np.flatnonzero(jobs.kept[first:last, way]) + first
        assert tuple(jobs.sleeves.pieces[row] for row in kept) == job.kept(method)


@pytest.mark.parametrize("seed", SEEDS)
def test_each_pipe_holds_its_own_rows(seed: int):
    """Looked up pipe by pipe in the tables, in whatever order their rows stand."""
    tables = random_town(Random(seed))
    mixed = {name: frame.sample(frac=1.0, random_state=seed) for name, frame in tables.items()}
    jobs, spans = jobs_of(mixed), tables["spans"].set_index("span_id")
    pipes = tables["pipes"].set_index("pipe_id")
    assert list(jobs) == sorted(set(tables["verdicts"]["pipe_id"]))
    for pipe_id, job in jobs.items():
        said = tables["verdicts"][tables["verdicts"]["pipe_id"] == pipe_id].set_index("span_id")
        ids = sorted(said.index, key=lambda span_id: (spans.loc[span_id, "from_m"], span_id))
        assert [spot.span_id for spot in job.spots] == ids
        for spot in job.spots:
            assert (spot.from_m, spot.to_m) == tuple(spans.loc[spot.span_id, ["from_m", "to_m"]])
            words = ("needs", "urgency", "sleeve", "liner", "dig", "verdict")
            for word in words:
                assert getattr(spot, word) == said.loc[spot.span_id, word]
            assert "+".join(spot.first) == said.loc[spot.span_id, "first"]
        sleeves = tables["sleeves"][tables["sleeves"]["pipe_id"] == pipe_id]
        rows = sorted(zip(sleeves["from_m"], sleeves["sleeve_id"], strict=True))
        assert [piece.sleeve_id for piece in job.pieces] == [sleeve_id for _, sleeve_id in rows]
        covered = Counter(tables["sleeve_laterals"]["sleeve_id"])
        pairs = tables["sleeve_spans"]
        for piece in job.pieces:
            assert piece.laterals == covered[piece.sleeve_id]
            assert piece.spans == set(pairs["span_id"][pairs["sleeve_id"] == piece.sleeve_id])
        taps = tables["laterals"][tables["laterals"]["pipe_id"] == pipe_id]
        assert job.live_laterals == (taps["state"] != "closed").sum()
        known = pipes.loc[pipe_id, "laterals_known_to_m"]
        assert job.laterals_known == (known >= pipes.loc[pipe_id, "length_m"] - 0.01)
        np.testing.assert_equal(job.dn_mm, pipes.loc[pipe_id, "dn_mm"])


def test_a_verdict_without_its_span_or_its_pipe_is_on_no_pipe():
    spans = [span("D-1", 1.0, 2.0), span("D-3", 1.0, 2.0, "gone")]
    verdicts = [verdict("D-1"), verdict("D-2"), verdict("D-3", "gone")]
    tables = town(spans, verdicts, pipes=[pipe("p1"), pipe("p2")])
    assert {key: len(job.spots) for key, job in jobs_of(tables).items()} == {"p1": 1}


@pytest.mark.parametrize("seed", SEEDS)
def test_choices_from_columns_are_those_pipe_by_pipe(seed: int):
    random = Random(seed)
    tables, book, lives = random_town(random), random_prices(random), random_lives(random)
    referred = tables["verdicts"].sample(frac=0.1, random_state=seed).index
    tables["verdicts"].loc[referred, "verdict"] = "refer"
    options = price_options(tables, book, lives).options
    wanted = {one: random.choice(WAYS) for one in tables["pipes"]["pipe_id"].iloc[::3]}
    for by, priced in product(BY, (True, False)):
        made = choose(tables, options, by, wanted, priced=priced)
        choices, sleeves = plain_choose(tables, options, by, wanted, priced=priced)
        assert_frame_equal(made.choices, choices, check_exact=True)
        assert_frame_equal(made.choice_sleeves, sleeves, check_exact=True)


def test_the_random_towns_choose_all_there_is():
    """Each method, no method, a person's own, what waits, no cost: each is met somewhere."""
    found = []
    for seed in SEEDS:
        random = Random(seed)
        tables, book, lives = random_town(random), random_prices(random), random_lives(random)
        options = price_options(tables, book, lives).options
        found.append(choose(tables, options, "cost").choices)
    choices = pd.concat(found)
    assert {*WAYS, "nothing", "maintain", "watch"} <= {*choices["method"]}
    for words in ("is least", "not costed", "no method mends", "none needs mending"):
        assert choices["reason"].str.contains(words).any()
