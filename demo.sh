#!/usr/bin/env bash
# Runs the whole job on the demo town, here in ./quillhaven, and says where all of it is.
set -euo pipefail
HERE="$(cd "$(dirname "$0")" && pwd)"
. "$HERE/.setup.sh"
setup run
"$VENV/bin/sleeveplan" demo "$@"
