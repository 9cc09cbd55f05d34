"""What must hold of decisions whatever the spans are."""

from __future__ import annotations

from random import Random

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from one_pipe import decisions, pipe, price, prices, sleeve, span, town, verdict

from planner.ground.ids import NOTHING_KNOWN, KnownIds, give_ids, learn
from planner.repairs.accept import accept_choices, stamp
from planner.repairs.choose import choose
from planner.repairs.decide_spans import apply_span_decisions
from planner.repairs.options import list_options
from planner.settings import load_settings

SLEEVING = load_settings({}).sleeving
BOOK = prices(price("liner", 9_000_00), price("dig", 5_000_00), price("reopen", 100_00))
PIPES = [f"p{at:02d}" for at in range(40)]
NEEDS = ["mend", "mend", "mend", "watch", "maintain", "nothing", "unknown"]
STATE = ["open", "open", "asked", "closed"]


def things_of(random: Random) -> list[dict]:
    """Things on 40 pipes, up to four a pipe, each with what the rules would say of it."""
    places = [
        (pipe_id, 3.0 * at)
        for pipe_id in PIPES
        for at in random.sample(range(13), random.randint(0, 4))
    ]
    return [thing_at(random, *place) for place in places]


def thing_at(random: Random, pipe_id: str, at: float) -> dict:
    states = {name: random.choice(STATE) for name in ("sleeve", "liner", "dig")}
    return {"pipe_id": pipe_id, "at": at, "needs": random.choice(NEEDS), **states}


def word(thing: dict) -> str:
    """The verdict as the rulebook of DESIGN 6 gives it."""
    if thing["needs"] == "unknown":
        return "refer"
    if thing["needs"] != "mend":
        return {"nothing": "none"}.get(thing["needs"], thing["needs"])
    states = [thing[name] for name in ("sleeve", "liner", "dig")]
    if states[0] == "asked" or "open" not in states:
        return "refer"
    return ("sleeve", "liner", "dig")[states.index("open")]


def run(things: list[dict], known: KnownIds, taken: pd.DataFrame, *, assume: bool = False):
    """Ids, verdicts, decisions, one sleeve a span, options, choices; and what is known then."""
    frame = pd.DataFrame(things).assign(from_m=lambda f: f["at"], to_m=lambda f: f["at"] + 1.0)
    frame["id"], _ = give_ids(frame, known, "span", 0.3)
    rows = frame.to_dict("records")
    tables = town(
        [span(row["id"], row["from_m"], row["to_m"], row["pipe_id"]) for row in rows],
        [
            verdict(
                row["id"],
                row["pipe_id"],
                verdict=word(row),
                needs=row["needs"],
                **{name: row[name] for name in ("sleeve", "liner", "dig")},
            )
            for row in rows
        ],
        pipes=[pipe(one) for one in PIPES],
    )
    tables["verdicts"], _ = apply_span_decisions(tables["verdicts"], taken)
    both = tables["verdicts"].merge(tables["spans"][["span_id", "from_m", "to_m"]], on="span_id")
    both = both[(both["needs"] == "mend") & (both["sleeve"] == "open")]
    found = town(
        [],
        [],
        [
            sleeve(
                f"S-{row['span_id']}",
                max(row["from_m"] - 0.4, 0),
                row["to_m"] + 0.4,
                row["pipe_id"],
            )
            for row in both.to_dict("records")
        ],
        [(f"S-{one}", one) for one in both["span_id"]],
    )
    tables |= {name: found[name] for name in ("sleeves", "sleeve_spans")}
    made = choose(tables, list_options(tables, BOOK, SLEEVING))
    choices = accept_choices(made.choices, taken, assume_accepted=assume)
    return choices, tables["verdicts"], learn(known, "span", frame, frame["id"])


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10**9))
def test_one_observation_more_keeps_every_decision_attached(seed):
    """Accepted pipes stay accepted by the same person; decided spans stay decided."""
    random = Random(seed)
    things = things_of(random)
    taken_places = {(one["pipe_id"], one["at"]) for one in things}
    free = [
        (one, 3.0 * at) for one in PIPES for at in range(13) if (one, 3.0 * at) not in taken_places
    ]
    extra = thing_at(random, *random.choice(free))
    none = decisions()
    before, verdicts, known = run(things, NOTHING_KNOWN, none)
    on_spans = decisions(
        *(
            {"pipe_id": row["pipe_id"], "span_id": row["span_id"], "decision": "watch"}
            for row in verdicts[verdicts["verdict"] == "refer"].to_dict("records")
        )
    )
    before, verdicts, known = run(things, known, on_spans)
    open_pipes = before.loc[before["state"] == "proposed", "pipe_id"]
    form = [
        *on_spans.to_dict("records"),
        *({"pipe_id": one, "decision": "accept", "version": 0} for one in open_pipes),
    ]
    taken = stamp(decisions(*({**row, "version": at} for at, row in enumerate(form, 1))), before)
    # What turns up needs no mending, so it changes nothing that was accepted, but may lie
    # on the same pipe; the rows come in another order as well.
    more = [{**extra, "needs": "maintain"}, *things]
    random.shuffle(more)
    after, verdicts_after, _ = run(more, known, taken)
    kept = after[after["pipe_id"].isin(open_pipes)].set_index("pipe_id")
    for row in before[before["state"] == "proposed"].to_dict("records"):
        same = row["method"] in ("sleeve", "liner", "dig") or row["pipe_id"] != extra["pipe_id"]
        if same:
            assert kept.loc[row["pipe_id"], "state"] == "accepted"
            assert kept.loc[row["pipe_id"], "by"] == "A. Berg"
    now = verdicts_after.set_index("span_id")["why"]
    for span_id in on_spans["span_id"]:
        assert now[span_id].startswith("decided by a person: 'watch' by A. Berg")


@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10**9), st.booleans())
def test_assume_accepted_never_accepts_a_referred_span(seed, accept_all):
    """No accepted pipe has an undecided span, nor a method that is not open where it mends."""
    things = things_of(Random(seed))
    before, _, known = run(things, NOTHING_KNOWN, decisions())
    every = decisions(*({"pipe_id": one, "decision": "accept"} for one in before["pipe_id"]))
    taken = stamp(every, before) if accept_all else decisions()
    choices, verdicts, _ = run(things, known, taken, assume=True)
    referred = set(verdicts.loc[verdicts["verdict"] == "refer", "pipe_id"])
    accepted = choices[choices["state"] == "accepted"]
    assert not referred & set(accepted["pipe_id"])
    for row in accepted[accepted["method"].isin(["sleeve", "liner", "dig"])].to_dict("records"):
        mend = verdicts[(verdicts["pipe_id"] == row["pipe_id"]) & (verdicts["needs"] == "mend")]
        served = (mend[row["method"]] == "open") | (mend["dig"] == "open")
        assert served.all()
    held = choices[choices["state"] == "held"]
    assert set(held["pipe_id"]) >= referred
