"""The photos of coded rows, by the row's id."""

from __future__ import annotations

import os
from pathlib import Path

from starlette.responses import Response

from planner.inputs.inputs import Inputs
from planner.review.live import Live
from planner.review.media import Photos


class SpanPhotos:
    """Hands out the photo that a coded row names, from the media folder and as a picture alone."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._made: tuple[Inputs, Photos] | None = None

    def answer(self, observation_id: str) -> Response:
        """Give the photo of one coded row, or one line that says why there is none."""
        inputs = self._live.inputs
        made = self._made
        if made is None or made[0] is not inputs:
            made = (inputs, _photos(self._live.folder, inputs))
            self._made = made
        return made[1].answer(observation_id)


def _photos(folder: Path, inputs: Inputs) -> Photos:
    found = {name: folder / path for name, path in inputs.media.items()}
    rows = inputs.observations
    named = rows[rows["photo"].isin(found).to_numpy(bool)]
    paths = {
        str(row): found[str(photo)].absolute()
        for row, photo in zip(named["observation_id"], named["photo"], strict=True)
    }
    parents = [str(path.parent) for path in paths.values()]
    # All that was found lies in the media folder, so the folder they share lies there too.
    root = Path(os.path.commonpath(parents)) if parents else folder
    if not root.resolve().is_relative_to(folder.resolve()):
        # It was put in the place of the folder that was read; what a link leads to is not ours.
        return Photos(folder, {})
    return Photos(root, paths)
