"""Settings in layers, each value with its origin."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from planner.errors import SettingsError
from planner.settings import SECTIONS, load_settings, packaged, read_project_file


def test_later_layers_win_and_origins_are_kept() -> None:
    """Packaged < project < command line."""
    settings = load_settings({"week": {"days": 4, "setup_s": 60}}, {"week.days": "3"})
    assert settings.week.days == 3
    assert settings.week.setup_s == 60
    assert settings.origins["week.days"] == "--set"
    assert settings.origins["week.setup_s"] == "planner.toml"
    assert settings.origins["week.iterations"] == "packaged"


@pytest.mark.parametrize(
    ("project", "said"),
    [
        ({"week": {"dayz": 3}}, "unknown setting week.dayz; did you mean week.days?"),
        ({"week": {"days": 0}}, "week.days = 0 (planner.toml)"),
        ({"week": {"fill_ratio": "much"}}, "week.fill_ratio = 'much'"),
        ({"week": 3}, "[week] must be a section"),
    ],
)
def test_a_wrong_setting_is_one_line_that_says_where(project: dict, said: str) -> None:
    """Unknown keys name the nearest, bad values their layer."""
    with pytest.raises(SettingsError, match=re.escape(said)) as caught:
        load_settings(project)
    assert "\n" not in str(caught.value)


def test_a_command_line_text_needs_no_quotes() -> None:
    """`--set project.name=Old Town` is text, `--set week.days=3` a number."""
    settings = load_settings(None, {"project.name": "Old Town", "week.fill_ratio": "0.5"})
    assert settings.project.name == "Old Town"
    assert settings.week.fill_ratio == 0.5


def test_a_day_on_the_command_line_is_text():
    """`--set project.first_day=2026-01-19` needs no quotes within quotes."""
    settings = load_settings({}, {"project.first_day": "2026-01-19"})
    assert settings.project.first_day == "2026-01-19"


def test_every_packaged_key_is_a_field_and_has_a_comment() -> None:
    """A key without a word on its meaning or source is not finished."""
    assert {name: set(keys) for name, keys in packaged().items()} == {
        name: set(model.model_fields) for name, model in SECTIONS.items()
    }
    text = resources.files("planner").joinpath("data/settings.toml").read_text("utf-8")
    assert tomllib.loads(text) == packaged()
    lines = text.splitlines()
    silent = [
        line
        for above, line in zip(["", *lines], lines, strict=False)
        if re.match(r"[a-z_]+ = ", line)
        and "#" not in line + (above if above.startswith("#") else "")
        and "value_" not in line  # three words of one urgency, said at the first
    ]
    assert silent == []


def test_a_missing_or_broken_project_file_is_one_line(tmp_path: Path) -> None:
    """The message names the command that writes one, or the line that is wrong."""
    with pytest.raises(SettingsError, match="sleeveplan init"):
        read_project_file(tmp_path / "planner.toml")
    (tmp_path / "planner.toml").write_text("[week\n", "utf-8")
    with pytest.raises(SettingsError, match="line 1"):
        read_project_file(tmp_path / "planner.toml")
