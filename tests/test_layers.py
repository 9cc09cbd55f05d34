"""The order of the house: who may import whom."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def test_no_module_imports_above_its_layer() -> None:
    """import-linter keeps the contract of pyproject.toml, which names every chapter."""
    run = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    assert "1 kept, 0 broken" in run.stdout
