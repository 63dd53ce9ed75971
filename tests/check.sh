#!/usr/bin/env bash
# Every gate, the same here and in CI: format, lint, types, tests with branch coverage. Sets up all it needs.
set -euo pipefail
cd "$(dirname "$0")/.."

need=()
command -v chromium >/dev/null || need+=(chromium)
command -v chromedriver >/dev/null || need+=(chromium-driver)
command -v ngspice >/dev/null || need+=(ngspice)
command -v pdftoppm >/dev/null || need+=(poppler-utils)
if ((${#need[@]})); then
  as_root=()
  [ "$(id -u)" = 0 ] || as_root=(sudo)
  "${as_root[@]}" apt-get update -qq
  DEBIAN_FRONTEND=noninteractive "${as_root[@]}" apt-get install -y -qq --no-install-recommends "${need[@]}" >/dev/null
fi

venv=${SURVEY_VENV:-.venv-test}
[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/python" -m pip install -q --disable-pip-version-check -e '.[test]'

"$venv/bin/ruff" format --check .
"$venv/bin/ruff" check .
"$venv/bin/mypy"
exec "$venv/bin/pytest" -n 2 --dist loadgroup --cov --cov-report=term:skip-covered "$@"
