"""One choice a pipe: least cost, held where an engineer must decide, why in words."""

from __future__ import annotations

import pandas as pd
import pytest
from one_pipe import pipe, price, prices, refer, sleeve, span, town, verdict

from planner.contracts import OPTIONS
from planner.contracts.repairs import NO_PRICE
from planner.errors import SettingsError
from planner.repairs.choose import choose
from planner.repairs.options import list_options
from planner.settings import load_settings
from planner.tables import conform

SLEEVING = load_settings({}).sleeving
TOWN = town([span("D-1", 5, 6)], [verdict("D-1")], [sleeve("S-1", 4.5, 6.5)], [("S-1", "D-1")])


def offered(**cents: int | None) -> pd.DataFrame:
    """Options of pipe p1; a method that is not named is not possible."""
    rows = [
        {
            "pipe_id": "p1",
            "method": method,
            "possible": method in cents,
            "cost_cents": cents.get(method),
            "why": "a sum" if method in cents else "closed",
        }
        for method in ("sleeve", "liner", "dig")
    ]
    return conform(rows, OPTIONS)


def chosen(tables: dict[str, pd.DataFrame], options: pd.DataFrame, by: str = "cost") -> dict:
    (row,) = choose(tables, options, by).choices.to_dict("records")
    return row


@pytest.mark.parametrize(
    ("cents", "method"),
    [
        ({"sleeve": 3, "liner": 2, "dig": 1}, "dig"),
        ({"sleeve": 3, "liner": 2}, "liner"),
        # Equal costs: what disturbs least goes first.
        ({"sleeve": 2, "liner": 2, "dig": 2}, "sleeve"),
        # One has no cost, so they cannot be compared: the sleeve, if it mends all.
        ({"sleeve": 9, "liner": 2, "dig": None}, "sleeve"),
        ({"sleeve": None, "liner": 2}, "sleeve"),
        # No sleeve: the cheapest of those that have a cost.
        ({"liner": None, "dig": 2}, "dig"),
        ({"liner": None, "dig": None}, "liner"),
    ],
)
def test_which_method_is_proposed(cents: dict[str, int | None], method: str):
    """Least cost of what is possible; else the sleeve that mends all."""
    row = chosen(TOWN, offered(**cents))
    assert (row["method"], row["state"]) == (method, "proposed")
    assert ("not costed" in row["reason"]) == (None in cents.values())


def test_the_reason_names_the_others():
    """What was compared stands in the reason, in money."""
    row = chosen(TOWN, offered(sleeve=2_000_00, liner=5_000_00))
    assert row["reason"] == "sleeve 2,000.00 is least; liner 5,000.00, dig not possible"
    assert row["cost_cents"] == 2_000_00


def bare(*verdicts: dict) -> dict[str, pd.DataFrame]:
    """One pipe of a project that states no sleeve system, a span for each verdict."""
    spans = [span(row["span_id"], 5 + at, 6 + at) for at, row in enumerate(verdicts)]
    return town(spans, list(verdicts), systems=[])


@pytest.mark.parametrize("cents", [{"liner": None, "dig": None}, {"liner": 5, "dig": 9}])
def test_without_a_system_nothing_is_chosen_where_a_sleeve_may_lie(cents: dict):
    """A liner is not the better of what is left over: priced or not, the pipe is held."""
    row = chosen(bare(verdict("D-1")), offered(**cents))
    assert (row["state"], row["method"]) == ("held", "nothing")
    assert row["reason"] == "no method is chosen: no sleeve system is stated (systems.toml)"


def test_without_a_system_a_person_may_name_a_method():
    """What a person names is no comparison."""
    made = choose(bare(verdict("D-1")), offered(liner=5, dig=9), wanted={"p1": "dig"})
    (row,) = made.choices.to_dict("records")
    assert (row["state"], row["method"]) == ("proposed", "dig")


def test_without_a_system_ways_are_compared_where_no_sleeve_may_lie():
    """Costs decide where there are any; without a price only a lone way is proposed."""
    tables = bare(verdict("D-1", sleeve="closed", verdict="liner"))
    assert chosen(tables, offered(liner=5, dig=4))["method"] == "dig"
    cases = (({"liner": None, "dig": None}, "held"), ({"dig": None}, "proposed"))
    for cents, state in cases:
        made = choose(tables, offered(**cents), priced=False)
        (row,) = made.choices.to_dict("records")
        assert row["state"] == state
        assert (NO_PRICE in row["reason"]) == (state == "held")


def by_year(**cents: tuple[int, int]) -> pd.DataFrame:
    """Options of pipe p1 with cost and cost a year."""
    rows = offered(**{name: cost for name, (cost, _) in cents.items()})
    years = {name: annual for name, (_, annual) in cents.items()}
    return rows.assign(annual_cents=rows["method"].map(years).astype("Int64"))


def test_by_the_cost_a_year_another_way_may_be_least():
    """2 000 over 12 years are 166.67 a year, 5 000 over 50 are 100: the setting decides."""
    options = by_year(sleeve=(2_000_00, 166_67), liner=(5_000_00, 100_00))
    assert chosen(TOWN, options)["method"] == "sleeve"
    row = chosen(TOWN, options, "annual")
    assert row["method"] == "liner"
    said = "liner 100.00 a year is least; sleeve 166.67 a year, dig not possible"
    assert (row["reason"], row["cost_cents"]) == (said, 5_000_00)
    # 5 000 for a year each: what disturbs least goes first, by either.
    assert chosen(TOWN, by_year(sleeve=(9, 5), liner=(8, 5)), "annual")["method"] == "sleeve"


def test_the_cost_is_what_a_plan_goes_by_unless_told():
    """The packaged setting is the cost; another word is refused with the known ones."""
    assert SLEEVING.choose_by == "cost"
    assert load_settings({"sleeving": {"choose_by": "annual"}}).sleeving.choose_by == "annual"
    with pytest.raises(SettingsError, match="'cost' or 'annual'"):
        load_settings({"sleeving": {"choose_by": "price"}})


def in_turn(method: str, **more: object) -> pd.DataFrame:
    """Options of p1 of which only a sequence is possible."""
    row = {"pipe_id": "p1", "method": method, "possible": True, "cost_cents": 9, "why": "a sum"}
    return conform([*offered().to_dict("records"), {**row, **more}], OPTIONS)


def test_a_sequence_is_chosen_with_its_sleeves():
    """Sleeves under the liner stand in choice_sleeves, those it makes needless do not."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), verdict("D-2", liner="closed", dig="closed")],
        [sleeve("S-1", 4.5, 6.5), sleeve("S-2", 19.5, 21.5)],
        [("S-1", "D-1"), ("S-2", "D-2")],
    )
    made = choose(tables, in_turn("sleeve_liner"))
    assert made.choice_sleeves["sleeve_id"].tolist() == ["S-2"]
    (row,) = made.choices.to_dict("records")
    assert row["reason"].startswith("sleeves, then liner 0.09 is least")
    assert row["fingerprint"].endswith(" sleeve_liner; 19.50-21.50 m DN 200 felt; mends D-1+D-2")


def test_a_liner_after_digs_keeps_the_fingerprint_it_had_as_a_liner():
    """What was accepted as a liner with a dig beside is the same thing to do."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), verdict("D-2", sleeve="closed", liner="closed", verdict="dig")],
    )
    row = chosen(tables, in_turn("dig_liner"))
    assert row["fingerprint"].endswith(" liner; dig D-2; mends D-1+D-2")


def test_the_sleeves_go_with_the_choice_only_if_it_is_sleeves():
    """A pipe that is lined keeps no sleeve."""
    made = choose(TOWN, offered(sleeve=1, liner=2))
    assert made.choice_sleeves.to_dict("records") == [{"pipe_id": "p1", "sleeve_id": "S-1"}]
    assert choose(TOWN, offered(sleeve=2, liner=1)).choice_sleeves.empty


def test_a_referred_span_holds_the_whole_pipe():
    """The rest of the pipe is worked out, but nothing is proposed before the decision."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), refer("D-2", needs="unknown", urgency="now")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    row = chosen(tables, offered(sleeve=1))
    assert (row["state"], row["method"], row["urgency"]) == ("held", "sleeve", "now")
    assert row["reason"].startswith("D-2: an engineer must decide")


def test_nothing_but_a_referred_span_is_held_with_nothing_to_do():
    """No method is guessed where none is decided."""
    tables = town([span("D-1", 5, 6)], [refer("D-1", needs="unknown")])
    row = chosen(tables, conform([], OPTIONS))
    assert (row["state"], row["method"]) == ("held", "nothing")


def test_a_pipe_no_method_mends_is_held_and_says_why():
    """Each method's reason is given."""
    tables = town(
        [span("D-1", 5, 6)],
        [verdict("D-1", sleeve="closed", dig="closed", liner="closed", verdict="refer")],
    )
    options = list_options(tables, prices(price("dig", 1)), SLEEVING)
    row = chosen(tables, options)
    assert (row["state"], row["method"]) == ("held", "nothing")
    tables["verdicts"]["verdict"] = "dig"
    row = chosen(tables, options)
    assert row["state"] == "held"
    assert row["reason"].startswith("no method mends this pipe: sleeve: D-1: sleeve is closed")
    assert "dig: D-1: dig is closed" in row["reason"]


@pytest.mark.parametrize(
    ("needs", "method"),
    [
        (["watch"], "watch"),
        (["maintain"], "maintain"),
        (["maintain", "watch"], "watch"),
        (["nothing"], "nothing"),
    ],
)
def test_pipes_that_need_no_mending(needs: list[str], method: str):
    """The strongest need names the method; a watched pipe is maintained as well."""
    ids = [f"D-{at}" for at in range(len(needs))]
    tables = town(
        [span(one, at, at + 1) for at, one in enumerate(ids)],
        [
            verdict(one, needs=need, verdict="none" if need == "nothing" else need)
            for one, need in zip(ids, needs, strict=True)
        ],
    )
    row = chosen(tables, conform([], OPTIONS))
    assert (row["method"], row["state"]) == (method, "proposed")


def test_urgency_is_the_worst_of_the_spans():
    """now > this_year > programme > when_near."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 8, 9)],
        [verdict("D-1", urgency="when_near"), verdict("D-2", urgency="this_year")],
    )
    assert chosen(tables, offered(dig=1))["urgency"] == "this_year"


def test_each_pipe_with_a_span_has_one_choice():
    """A pipe without a span has none; each other stands once, in order."""
    tables = town(
        [span("D-1", 5, 6, "p2"), span("D-2", 5, 6, "p1")],
        [
            verdict("D-1", "p2", needs="watch", verdict="watch"),
            verdict("D-2", "p1", needs="watch", verdict="watch"),
        ],
        pipes=[pipe("p3"), pipe("p2"), pipe("p1")],
    )
    assert choose(tables, conform([], OPTIONS)).choices["pipe_id"].tolist() == ["p1", "p2"]


def print_of(tables: dict[str, pd.DataFrame], **cents: int) -> str:
    return str(chosen(tables, offered(**cents))["fingerprint"])


def test_the_fingerprint_holds_what_is_accepted_and_nothing_else():
    """Method, places to the centimetre, size, system, spans by id; no price, no other span."""
    first = print_of(TOWN, sleeve=1)
    assert first.endswith(" sleeve; 4.50-6.50 m DN 200 felt; mends D-1")
    assert print_of(TOWN, sleeve=7, liner=99) == first
    more = town(
        [span("D-1", 5, 6), span("D-9", 30, 31)],
        [verdict("D-1"), verdict("D-9", needs="watch", verdict="watch")],
        [sleeve("S-7", 4.5, 6.5, cost_cents=1)],
        [("S-7", "D-1")],
    )
    assert print_of(more, sleeve=1) == first
    assert print_of(TOWN, dig=1).endswith(" dig; mends D-1")


@pytest.mark.parametrize(
    "change", [{"from_m": 4.51}, {"to_m": 6.49}, {"dn_mm": 250.0}, {"system": "glass"}]
)
def test_the_fingerprint_changes_with_the_sleeve(change: dict):
    """Another place, size or system is another thing to accept."""
    piece = {**sleeve("S-1", 4.5, 6.5), **change}
    other = town([span("D-1", 5, 6)], [verdict("D-1")], [piece], [("S-1", "D-1")])
    assert print_of(other, sleeve=1) != print_of(TOWN, sleeve=1)


def test_a_dig_beside_the_sleeves_is_part_of_the_fingerprint():
    """Which spans are dug up is accepted as well."""
    tables = town(
        [span("D-1", 5, 6), span("D-2", 20, 21)],
        [verdict("D-1"), verdict("D-2", sleeve="closed", verdict="dig")],
        [sleeve("S-1", 4.5, 6.5)],
        [("S-1", "D-1")],
    )
    assert print_of(tables, sleeve=1).endswith("; dig D-2; mends D-1+D-2")
