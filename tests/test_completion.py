"""Completion as a shell asks for it, of the script that is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def script() -> Path:
    """The installed entry point, beside the Python that runs."""
    path = Path(sys.executable).with_name("sleeveplan")
    if not path.exists():
        pytest.skip("sleeveplan is not installed beside this Python")
    return path


def ask(script: Path, **said: str) -> str:
    """Run the script as a shell does: no words, all in the environment."""
    found = subprocess.run(
        [script], env={**os.environ, **said}, capture_output=True, text=True, check=True
    )
    return found.stdout


@pytest.mark.parametrize(
    ("shell", "said"),
    [
        ("bash", {"COMP_WORDS": "sleeveplan {}", "COMP_CWORD": "1"}),
        ("zsh", {"_TYPER_COMPLETE_ARGS": "sleeveplan {}"}),
        (
            "fish",
            {
                "_TYPER_COMPLETE_ARGS": "sleeveplan {}",
                "_TYPER_COMPLETE_FISH_ACTION": "get-args",
            },
        ),
    ],
)
def test_ch_is_check_in_each_shell(script: Path, shell: str, said: dict[str, str]) -> None:
    """`ch` begins one command; `re` four: replan, report, reprice, review."""
    for begun, wanted in (("ch", ["check"]), ("re", ["replan", "report", "reprice", "review"])):
        asked = {name: text.format(begun) for name, text in said.items()}
        text = ask(script, _SLEEVEPLAN_COMPLETE=f"complete_{shell}", **asked)
        lines = text.replace('" "', '"\n"').splitlines()
        words = [line.split("((")[-1].strip('"').split('"')[0].split("\t")[0] for line in lines]
        assert sorted(word for word in words if word) == wanted


def test_what_is_installed_completes_in_a_real_bash(script: Path, tmp_path: Path) -> None:
    """`--install-completion` writes what a new bash sources; its own function is asked."""
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("bash is not installed")
    env = {**os.environ, "HOME": str(tmp_path), "PATH": f"{script.parent}:{os.environ['PATH']}"}
    install = [bash, "-c", "sleeveplan --install-completion bash"]
    subprocess.run(install, env=env, capture_output=True, check=True)
    lines = (
        'source "$HOME/.bashrc"',
        'name=$(complete -p sleeveplan | grep -o "[-]F [^ ]*" | cut -c4-)',
        "for begun in ch expl; do COMP_WORDS=(sleeveplan $begun); COMP_CWORD=1",
        '$name sleeveplan $begun sleeveplan; echo "${COMPREPLY[@]}"; done',
        "COMP_WORDS=(sleeveplan rules c); COMP_CWORD=2",
        '$name sleeveplan c rules; echo "${COMPREPLY[@]}"',
    )
    found = subprocess.run(
        [bash, "--norc", "-c", "\n".join(lines)],
        env=env, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert found.stdout.split() == ["check", "explain", "compare"], found.stderr
