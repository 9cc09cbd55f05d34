"""Photos and videos are found in the media folder and nowhere else; what is missing is said."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_project import PROJECT, write_project

from planner.errors import FileError
from planner.inputs.media import Media
from planner.inputs.project import read_project


@pytest.fixture
def town(tmp_path: Path) -> Path:
    (tmp_path / "secret.jpg").write_text("mine")
    for name in ("media/A/one.jpg", "media/B/one.jpg", "media/Two.JPG"):
        path = tmp_path / "town" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    (tmp_path / "town" / "media" / "link.jpg").symlink_to(tmp_path / "secret.jpg")
    return tmp_path / "town"


@pytest.mark.parametrize(
    ("written", "found"),
    [
        ("A/one.jpg", "A/one.jpg"),
        ("C:\\film\\b\\ONE.jpg", "B/one.jpg"),
        ("two.jpg", "Two.JPG"),
        ("/mnt/x/two.jpg", "Two.JPG"),
        ("one.jpg", None),  # two files bear the name
        ("../secret.jpg", None),
        ("media/../../secret.jpg", None),
        ("link.jpg", None),
        ("", None),
        ("..", None),
    ],
)
def test_a_name_leads_into_the_folder_or_nowhere(town: Path, written: str, found) -> None:
    path = Media(town, Path("media")).find(written)
    assert (path and path.relative_to(town / "media").as_posix()) == found


@pytest.mark.parametrize("folder", ["..", "nowhere", "../town2", "media/Two.JPG"])
def test_a_folder_outside_or_none_is_refused(town: Path, folder: str) -> None:
    with pytest.raises(FileError, match="no folder in the project"):
        Media(town, Path(folder))


def test_missing_media_are_counted_by_survey_file(town: Path) -> None:
    rows = "pipe_id,start_node,s_m,code,photo,video\n"
    rows += "0017,A,1,BAB,two.jpg,f.mp4\n0017,A,2,BAB,gone.jpg,f.mp4\n"
    folder = write_project(
        town, planner_toml=PROJECT + '\n[media]\nfolder = "media"\n', surveys_csv=rows
    )
    flags = read_project(folder).flags
    told = flags.loc[flags["key"] == "surveys.csv", "what"].tolist()
    assert "2 of 3 photos and videos are not in the media folder: f.mp4, gone.jpg" in told


def test_a_media_folder_that_is_not_there_is_one_fault(town: Path) -> None:
    project = PROJECT + '\n[media]\nfolder = "photos"\n'
    inputs = read_project(write_project(town, planner_toml=project))
    assert (inputs.faults["file"] == "[media]").sum() == 1
    assert len(inputs.observations) > 0
