#!/usr/bin/env bash
# Passes the tests: makes its own virtual environment beside the code, then lints, types, tests.
set -euo pipefail
HERE="$(cd "$(dirname "$0")" && pwd)"
cd "$HERE"
. "$HERE/.setup.sh"
setup dev
"$VENV/bin/ruff" check planner tests data_demo
"$VENV/bin/ruff" format --check planner tests data_demo
"$VENV/bin/mypy"
"$VENV/bin/pytest" -q -n 2 --dist loadfile "$@"
