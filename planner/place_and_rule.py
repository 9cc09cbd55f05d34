"""Sleeves placed, and placed once more without what a rule bars or no way leads to.

The middle of `propose.propose`: spans with verdicts in, sleeves that may stand out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from planner.ground.ids import KnownIds
from planner.inputs.inputs import Inputs
from planner.repairs.passages import NO_WAY, find_passages, unreached
from planner.repairs.place import Placed, Supply, drop_barred, place_sleeves
from planner.repairs.place_own import Own
from planner.repairs.place_told import ruled_out
from planner.screening.rulebook import Rulebook
from planner.screening.screen import ScreenedSleeves, screen_sleeves

Tables = dict[str, pd.DataFrame]


def place_and_rule(
    tables: Tables, inputs: Inputs, known: KnownIds, book: Rulebook, own: Sequence[Own] = ()
) -> tuple[Placed, ScreenedSleeves, pd.DataFrame]:
    """Place sleeves, let the sleeve rules speak, place once more without what they bar.

    Parameters
    ----------
    tables
        Of it: pipes, spans, verdicts, laterals, defects.
    inputs, known, book
        As for `propose`.
    own
        Places and lengths that people decided on.

    Returns
    -------
    placed, said, passages
        Sleeves that no rule bars, all that the rules say of them, and `PASSAGES`.
    """
    supply = Supply(inputs.systems, inputs.system_sizes, inputs.packers, inputs.prices)
    sleeving, find_m = inputs.settings.sleeving, inputs.settings.survey.find_least_m
    placed = place_sleeves(tables, supply, sleeving, known, find_m=find_m, own=own)
    said = _said(placed, tables, book)
    if len(said.barred):
        ruled = ruled_out(own, placed, said.barred)
        placed = place_sleeves(
            tables, supply, sleeving, known, find_m=find_m, barred=said.barred, own=own
        )
        refused = {span: ruled.get(span, why) for span, why in placed.refused.items()}
        placed = replace(placed, refused=refused)
        said = _said(placed, tables, book)
    if len(said.barred):
        placed = drop_barred(placed, said.barred)
        said = _said(placed, tables, book)
    passages = find_passages({**tables, "sleeves": placed.sleeves})
    lost = unreached(passages)
    if len(lost):
        placed = drop_barred(placed, lost, why=NO_WAY, unreached=True)
        said = _said(placed, tables, book)
        passages = find_passages({**tables, "sleeves": placed.sleeves})
    return placed, said, passages


def _said(placed: Placed, tables: Tables, book: Rulebook) -> ScreenedSleeves:
    return screen_sleeves(
        placed.sleeves, tables["pipes"], placed.pipe_totals, book, defects=tables["defects"]
    )
