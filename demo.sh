#!/usr/bin/env bash
# Runs the whole job on the demo town and says where map, sheets and totals are.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
cd "$here"
. ./.setup.sh
setup run
"$VENV/bin/sleeveplan" demo "$@"
