"""A project in memory that Python does not look through for garbage again and again."""

from __future__ import annotations

import gc


def hold_still() -> None:
    """Take what lives now out of the search for garbage, once it was searched.

    A large town is many objects that stay until it is read anew. Each full search
    through them stops every answer of the page, for 0.15 s with 3,000 pipes.
    """
    gc.unfreeze()
    gc.collect()
    gc.freeze()
