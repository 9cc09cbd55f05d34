"""Sentences as a person reads them: the keys of mechanisms in them written as words."""

from __future__ import annotations

import re
from functools import lru_cache

from planner.ground.codes import roles


def in_words(sentence: str) -> str:
    """Write mechanisms' keys in a sentence as words: ``joint_gap+roots`` reads joint gap, roots.

    Nothing else is changed: names of columns, ids and files keep their underscores, unless they
    are a mechanism's key themselves. Tables keep the sentence with its keys; this is for where a
    person reads it.
    """
    if "_" not in sentence and "+" not in sentence:
        return sentence
    return _keys().sub(lambda found: found[0].replace("+", ", ").replace("_", " "), sentence)


@lru_cache(maxsize=1)
def _keys() -> re.Pattern[str]:
    """Find keys that stand alone, or joined by ``+``; within a longer name they are none."""
    one = "|".join(sorted(roles(), key=len, reverse=True))
    return re.compile(rf"(?<![\w+.-])(?:{one})(?:\+(?:{one}))*(?![\w+-]|\.\w)")
