"""Materials as lists spell them: common practice, no source; nothing unknown becomes known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.inputs.materials import read_material, unlike_unknown


@pytest.mark.parametrize(
    ("text", "word", "lined"),
    [
        ("VCP", "vitrified clay", None), ("v.c.p.", "vitrified clay", None),
        ("Conc.", "concrete", None), ("CPP", "concrete", None),
        ("RCP", "reinforced concrete", None),
        ("STZ", "vitrified clay", None), ("Stahlbeton", "reinforced concrete", None),
        ("PVC-U", "pvc", None), ("PE-HD", "polyethylene", None),
        ("AC/ACP", "asbestos cement", None),
        ("CIPP", "unknown", True), ("VCP/CIPP", "vitrified clay", True),
        ("VCP-CIP", "vitrified clay", True), ("PVC-VCP", "mixed", None), ("CO/BR", "mixed", None),
        ("VCP-DIP-CIP", "mixed", True), ("XXX", "unknown", None), ("ZZZ", "unknown", None),
        (" ", "", None), ("-", "", None),
    ],
)  # fmt: skip
def test_spellings(text: str, word: str, lined: bool | None) -> None:
    found = read_material(text)
    assert (found.word, found.lined, found.known) == (word, lined, True)


def test_a_spelling_of_no_table_is_kept_as_written_and_counted() -> None:
    assert read_material("Moon rock").word == "Moon rock"
    assert not read_material("VCP / moon rock").known
    assert unlike_unknown(["VCP", "Moon rock", "Moon rock", ""]) == {"Moon rock": 2}


@given(st.text(max_size=12))
def test_no_text_becomes_plastic_or_clay_by_chance(text: str) -> None:
    """What is not in the table stays itself, an unknown, or a mixture of known words."""
    found = read_material(text)
    if not found.known:
        assert found.word == text.strip()
