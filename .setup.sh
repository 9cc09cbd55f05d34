# Sourced by demo.sh and test.sh, which set HERE: finds Python 3.11+, makes .venv once.
VENV="$HERE/.venv"

find_python() {
  local candidate
  for candidate in python3 python3.14 python3.13 python3.12 python3.11 python; do
    if command -v "$candidate" >/dev/null 2>&1 &&
      "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      echo "$candidate"
      return
    fi
  done
  echo "needs Python 3.11 or newer; found none" >&2
  exit 2
}

# setup run | dev: installs what that needs, again only when pyproject.toml changed.
setup() {
  local python stamp what
  python="$(find_python)"
  stamp="$VENV/.$1-$(cksum <"$HERE/pyproject.toml" | tr ' ' '-')"
  [ -e "$stamp" ] && return
  [ -x "$VENV/bin/python" ] || "$python" -m venv "$VENV"
  what="$HERE"
  [ "$1" = dev ] && what="$HERE[dev]"
  echo "setting up $VENV (once)" >&2
  "$VENV/bin/python" -m pip install -q --disable-pip-version-check -e "$what" >&2
  touch "$stamp"
}
