"""What the tool is installed with may be given on with it: permissive licences, LGPL at most."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
# SPDX names, and the words by which older packages name the same.
PERMISSIVE = {
    "0bsd", "apache-2.0", "bsd-2-clause", "bsd-3-clause", "cc0-1.0", "isc", "mit", "mit-cmu",
    "psf-2.0", "zlib", "llvm-exception", "lgpl-2.1-only", "lgpl-2.1-or-later", "lgpl-3.0-only",
    "lgpl-3.0-or-later",
    "mit license", "bsd license", "bsd", "3-clause bsd license", "apache software license",
    "apache 2.0", "isc license", "iscl", "python software foundation license",
}  # fmt: skip
# Others that were looked at, each with the reason why it may stand.
ALLOWED = {
    "certifi": "MPL-2.0 binds changed files of its own only; we change none",
    "tqdm": "MPL-2.0 and MIT, as certifi",
}
_BETWEEN = re.compile(r"\s+(?:and|or|with)\s+|[()]")


def named(package: Distribution) -> list[str]:
    """Give the licences of a package: its expression, else its classifiers, else its words."""
    data = package.metadata
    expression = data.get("License-Expression")
    classified = [
        one.rpartition(" :: ")[2]
        for one in data.get_all("Classifier") or []
        if one.startswith("License :: ")
    ]
    words = (data.get("License") or "").strip().splitlines()[:1]
    texts = [expression] if expression else classified or words
    parts = [part.strip() for text in texts for part in _BETWEEN.split(text.casefold())]
    return [part for part in parts if part]


def needed(lines: list[str]) -> dict[str, Distribution]:
    """Give all packages that these requirements bring with them, by name."""
    found: dict[str, Distribution] = {}
    waiting = [Requirement(line) for line in lines]
    while waiting:
        asked = waiting.pop()
        name = re.sub(r"[-_.]+", "-", asked.name).casefold()
        if name in found or (asked.marker and not asked.marker.evaluate({"extra": ""})):
            continue
        try:
            found[name] = distribution(asked.name)
        except PackageNotFoundError:
            pytest.fail(f"{asked.name} is wanted and not installed")
        waiting += [Requirement(line) for line in found[name].requires or []]
    return dict(sorted(found.items()))


def test_each_package_that_is_installed_with_the_tool_is_permissive() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    packages = needed(project["dependencies"])
    assert {"numpy", "geopandas", "llvmlite", "typer"} <= set(packages)
    odd = {
        f"{name} {package.version}": named(package)
        for name, package in packages.items()
        if name not in ALLOWED and not (named(package) and set(named(package)) <= PERMISSIVE)
    }
    assert odd == {}


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["License-Expression: MIT AND (Apache-2.0 OR GPL-3.0-only)"], "gpl-3.0-only"),
        (["Classifier: License :: OSI Approved :: GNU Affero General Public License v3"], "affero"),
        (["License: AGPL-3.0\n for all"], "agpl-3.0"),
    ],
)
def test_a_copyleft_licence_is_seen_wherever_it_is_named(
    tmp_path: Path, lines: list[str], said: str
) -> None:
    folder = tmp_path / "odd-1.dist-info"
    folder.mkdir()
    text = "\n".join(["Metadata-Version: 2.4", "Name: odd", "Version: 1", *lines])
    (folder / "METADATA").write_text(f"{text}\n")
    found = named(Distribution.at(folder))
    assert any(said in one for one in found)
    assert not set(found) <= PERMISSIVE
