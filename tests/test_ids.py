"""Ids by place: what stays, what is fresh, what is lost."""

from __future__ import annotations

import pandas as pd
import pytest

from planner.contracts.books import IDS, SETUP_IDS
from planner.errors import TableError
from planner.ground.ids import (
    NOTHING_KNOWN,
    KnownIds,
    give_ids,
    give_setup_ids,
    highest_by_kind,
    learn,
)
from planner.tables import check


def places(*rows: tuple[str, float, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["pipe_id", "from_m", "to_m"])


def known_after(
    rows: pd.DataFrame, kind: str = "span", known: KnownIds = NOTHING_KNOWN
) -> KnownIds:
    ids, _ = give_ids(rows, known, kind, 0.3)
    return learn(known, kind, rows, ids)


def test_fresh_ids_run_in_order_of_place():
    """Fresh ids follow pipe, from, to and step, whatever the order of the rows."""
    rows = places(("b", 1, 2), ("a", 5, 6), ("a", 4, 10)).assign(step="x")
    rows.index = [7, 3, 9]
    ids, lost = give_ids(rows, NOTHING_KNOWN, "sleeve", 0.3)
    assert ids.to_dict() == {7: "S-000003", 3: "S-000002", 9: "S-000001"}
    assert lost.empty


@pytest.mark.parametrize(
    ("kind", "first"),
    [("span", "D-000001"), ("sleeve", "S-000001"), ("work", "W-000001"), ("setup", "U-000001")],
)
def test_each_kind_has_its_letter(kind: str, first: str):
    """The letter of an id says what it names."""
    ids, _ = give_ids(places(("a", 0, 1)), NOTHING_KNOWN, kind, 0.3)
    assert ids.tolist() == [first]


@pytest.mark.parametrize(
    ("shift", "stays"),
    # Widened by 0.3 both are 1.6 m long: half is 0.8 m, so a shift of 0.8 m is the last kept.
    [(0.0, True), (0.8, True), (0.81, False), (-0.8, True), (-0.81, False)],
)
def test_half_of_the_shorter_must_overlap(shift: float, stays: bool):
    """A thing is known again up to the shift that halves the widened overlap."""
    known = known_after(places(("a", 5, 6)))
    ids, lost = give_ids(places(("a", 5 + shift, 6 + shift)), known, "span", 0.3)
    assert (ids.iloc[0] == "D-000001") == stays
    assert lost["id"].tolist() == ([] if stays else ["D-000001"])


def test_the_larger_overlap_wins():
    """Of two new things over one old the one with more of it inherits, the other is fresh."""
    known = known_after(places(("a", 10, 12)))
    ids, _ = give_ids(places(("a", 9, 11), ("a", 10.5, 12.5)), known, "span", 0.3)
    # Shared with [9.7, 12.3]: [8.7, 11.3] 1.6 m; [10.2, 12.8] 2.1 m.
    assert ids.tolist() == ["D-000002", "D-000001"]


def test_a_long_new_condition_takes_no_id_from_a_short_damage_inside_it():
    """Both share all of the old extents; the more similar one is its heir, not the first."""
    known = known_after(places(("a", 5, 6)))
    ids, _ = give_ids(places(("a", 0, 30), ("a", 5, 6)), known, "span", 0.3)
    assert ids.tolist() == ["D-000002", "D-000001"]


def test_ties_go_by_from_then_by_old_id():
    """A new thing midway between two equal old ones takes the lower id."""
    known = known_after(places(("a", 5, 6), ("a", 6, 7)))
    ids, lost = give_ids(places(("a", 5.5, 6.5)), known, "span", 0.3)
    assert ids.tolist() == ["D-000001"]
    assert lost["id"].tolist() == ["D-000002"]


def test_another_pipe_step_or_kind_inherits_nothing():
    """Only things of one pipe, kind and step are the same thing."""
    known = known_after(places(("a", 5, 6)).assign(step="clean"), "work")
    rows = pd.concat(
        [places(("a", 5, 6)).assign(step="look"), places(("b", 5, 6)).assign(step="clean")],
        ignore_index=True,
    )
    ids, lost = give_ids(rows, known, "work", 0.3)
    assert ids.tolist() == ["W-000002", "W-000003"]
    assert lost.to_dict("records") == [{"kind": "work", "id": "W-000001", "pipe_id": "a"}]
    assert give_ids(rows, known, "sleeve", 0.3)[0].tolist() == ["S-000001", "S-000002"]


def test_numbers_are_never_given_twice():
    """A number above the highest ever given is taken though its thing is gone."""
    known = known_after(places(("a", 5, 6), ("a", 20, 21)))
    known = known_after(places(("a", 5, 6)), known=known)
    ids, lost = give_ids(places(("a", 5, 6), ("a", 40, 41)), known, "span", 0.3)
    assert ids.tolist() == ["D-000001", "D-000003"]
    assert lost["id"].tolist() == ["D-000002"]


def test_highest_outranks_the_table():
    """The store's count holds even where the table knows less."""
    known = KnownIds(NOTHING_KNOWN.table, {"span": 41})
    assert give_ids(places(("a", 0, 1)), known, "span", 0.3)[0].tolist() == ["D-000042"]


def test_a_file_left_out_for_one_run_loses_no_id():
    """What vanishes and comes back gets its own id again; meanwhile it is lost."""
    both, one = places(("a", 5, 6), ("b", 1, 2)), places(("a", 5, 6))
    known = known_after(one, known=known_after(both))
    assert known.table["live"].tolist() == [True, False]
    ids, lost = give_ids(both, known, "span", 0.3)
    assert ids.tolist() == ["D-000001", "D-000002"]
    assert lost.empty


def test_what_is_there_goes_before_what_is_gone():
    """An id that is no longer live does not push aside one that is."""
    # Shifted by 0.9 m: 0.7 m of 1.6 m shared, so D-000002 is fresh and D-000001 gone.
    known = known_after(places(("a", 5.9, 6.9)), known=known_after(places(("a", 5, 6))))
    assert known.table.loc[known.table["live"].astype(bool), "id"].tolist() == ["D-000002"]
    # [5.3, 6.3] shares 1.3 m with the gone one, 1.0 m with the live one.
    assert give_ids(places(("a", 5.3, 6.3)), known, "span", 0.3)[0].tolist() == ["D-000002"]


def test_each_row_may_bring_its_own_doubt():
    """A thing far along the counter is found again over a longer way."""
    known = known_after(places(("a", 5, 6), ("a", 90, 91)))
    rows = places(("a", 6.2, 7.2), ("a", 91.2, 92.2))
    # Shift 1.2 m: kept if (1 + 2 f - 1.2) >= (1 + 2 f) / 2, so from f = 0.7 on.
    ids, _ = give_ids(rows, known, "span", pd.Series([0.3, 0.8]))
    assert ids.tolist() == ["D-000003", "D-000002"]


def test_nothing_gives_nothing_and_all_is_lost():
    """No rows: no ids, and each earlier id is named."""
    ids, lost = give_ids(places(), known_after(places(("a", 5, 6))), "span", 0.3)
    assert ids.empty
    assert lost["id"].tolist() == ["D-000001"]


def test_a_row_without_a_place_stops():
    """An id by place needs a place."""
    with pytest.raises(TableError, match="1 rows without a place"):
        give_ids(places(("a", float("nan"), 1.0)), NOTHING_KNOWN, "span", 0.3)


def test_an_index_given_twice_stops():
    """Ids go by index, so an index names one row."""
    rows = places(("a", 0, 1), ("a", 2, 3)).set_axis([0, 0])
    with pytest.raises(TableError, match="same index"):
        give_ids(rows, NOTHING_KNOWN, "span", 0.3)


def setups(*rows: tuple[str, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["node_id", "works"])


def test_a_setup_inherits_by_shared_works_at_its_node():
    """Most shared works win; a set-up of another node, or without any, is fresh."""
    first = setups(("n", "W-000001+W-000002+W-000003"), ("n", "W-000004"))
    ids, _ = give_setup_ids(first, NOTHING_KNOWN.setup_works, NOTHING_KNOWN)
    known = learn(NOTHING_KNOWN, "setup", first, ids)
    check(known.table, IDS)
    check(known.setup_works, SETUP_IDS)
    now = setups(("n", "W-000003"), ("n", "W-000001+W-000002"), ("m", "W-000004"))
    ids, lost = give_setup_ids(now, known.setup_works, known)
    assert ids.tolist() == ["U-000004", "U-000001", "U-000003"]
    assert lost["id"].tolist() == ["U-000002"]
    assert lost["pipe_id"].tolist() == ["n"]


def test_learning_setups_replaces_the_works_of_the_same_setup():
    """The store knows each set-up by the works it held last."""
    ids, _ = give_setup_ids(setups(("n", "W-1+W-2")), NOTHING_KNOWN.setup_works, NOTHING_KNOWN)
    known = learn(NOTHING_KNOWN, "setup", setups(("n", "W-1+W-2")), ids)
    ids, _ = give_setup_ids(setups(("n", "W-2+W-3")), known.setup_works, known)
    known = learn(known, "setup", setups(("n", "W-2+W-3")), ids)
    assert known.setup_works["work_id"].tolist() == ["W-2", "W-3"]
    assert known.highest["setup"] == 1


def test_the_highest_number_is_that_of_figures_not_of_letters():
    """S-1000000 comes after S-999999, though its letters come before."""
    rows = [("sleeve", "S-999999"), ("sleeve", "S-1000000"), ("span", "D-000007"),
            ("sleeve", "S-000002"), ("span", "D-000010")]  # fmt: skip
    table = pd.DataFrame(rows, columns=["kind", "id"]).astype("str")
    assert highest_by_kind(table) == {"sleeve": 1_000_000, "span": 10}
    assert highest_by_kind(table.iloc[:0]) == {}
    with pytest.raises(ValueError, match="x"):
        highest_by_kind(table.assign(id="S-x"))
