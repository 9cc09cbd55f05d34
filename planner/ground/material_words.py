"""One word for a material, from the spellings and letter codes that the tables know."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from io import StringIO

import pandas as pd

_NOTHING = frozenset({"", "unknown", "mixed"})


@lru_cache(maxsize=1)
def spellings() -> dict[str, tuple[str, str]]:
    """Give by spelling, without case or dots, the word and what is said of a liner."""
    rows = _read("materials.csv")
    return {
        str(spelling): (str(word), str(lined))
        for spelling, word, lined in rows.itertuples(index=False)
    }


@lru_cache(maxsize=1)
def _letters() -> dict[str, str]:
    rows = _read("en_materials.csv")
    return dict(zip(rows["letters"], rows["material"], strict=True))


def coded_material(text: str) -> str:
    """Give our word for a material as a survey codes it; '' where it says none for sure.

    Parameters
    ----------
    text
        Letters of EN 13508-2 (ACD), or a word.

    Examples
    --------
    >>> coded_material("AE"), coded_material("VCP"), coded_material("AZ"), coded_material("oak?")
    ('vitrified clay', 'vitrified clay', '', '')
    """
    plain = " ".join(text.casefold().replace(".", "").replace("_", " ").split())
    word = _letters().get(text.strip().upper()) or spellings().get(plain, ("", ""))[0]
    return "" if word in _NOTHING else word


def _read(name: str) -> pd.DataFrame:
    text = resources.files("planner").joinpath("data/codes", name).read_text("utf-8")
    return pd.read_csv(StringIO(text), dtype=str, keep_default_na=False)
