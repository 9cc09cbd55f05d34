"""Materials as lists spell them: one word each, or mixed, or already lined, or not known.

The table ``data/codes/materials.csv`` is common practice without a source; a project's own
spellings are told, not guessed.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from planner.ground.material_words import spellings
from planner.inputs.cells import is_empty

MIXED = "mixed"
UNKNOWN = "unknown"
_BETWEEN = re.compile(r"\s*(?:/|\+|&|,|;|\band\b|[-\u2013])\s*")


@dataclass(frozen=True)
class Material:
    """What a spelling says: ``word`` ('' blank, ``mixed``, ``unknown``), lined, and if known.

    ``lined`` is None where nothing is said of a liner. A spelling that the table does not
    know keeps itself as ``word``.
    """

    word: str
    lined: bool | None = None
    known: bool = True


def read_material(text: str) -> Material:
    """Read one spelling.

    Parameters
    ----------
    text
        As written.

    Examples
    --------
    >>> read_material("V.C.P."), read_material("PVC-VCP").word, read_material("VCP/CIPP").lined
    (Material(word='vitrified clay', lined=None, known=True), 'mixed', True)
    """
    if is_empty(text):
        return Material("")
    plain = " ".join(text.casefold().replace(".", "").replace("_", " ").split())
    whole = _one(plain)
    if whole is not None:
        return whole
    parts = [_one(part) for part in _BETWEEN.split(plain) if part]
    found = [part for part in parts if part is not None]
    if len(found) < 2 or len(found) < len(parts):
        return Material(text.strip(), known=False)
    lined = True if any(part.lined for part in found) else None
    words = {part.word for part in found if not part.lined}
    if len(words) > 1:
        return Material(MIXED, lined)
    return Material(words.pop() if words else UNKNOWN, lined)


def _one(plain: str) -> Material | None:
    found = spellings().get(plain) or spellings().get(plain.replace("-", " "))
    if found is None:
        return None
    word, lined = found
    return Material(word or UNKNOWN, True if lined else None)


def unlike_unknown(texts: Iterable[str]) -> dict[str, int]:
    """Count the pipes of each spelling that the table does not know."""
    return {text: n for text, n in Counter(texts).items() if not read_material(text).known}
