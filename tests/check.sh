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
"$venv/bin/python" -m pip install -q --disable-pip-version-check --upgrade --upgrade-strategy eager -e '.[test]'
"$venv/bin/python" tests/check_versions.py

# What is compiled once is compiled here, beside the checks that need nothing of it, and not in every test process.
export NUMBA_CACHE_DIR=${NUMBA_CACHE_DIR:-$PWD/$venv/compiled}
aside=$(mktemp -d)
compiling=()
trap 'kill "${compiling[@]}" 2>/dev/null || true; rm -rf "$aside"' EXIT
export SURVEY_COMPILE_FROM=0
{
  SURVEY_CACHE_DIR=$aside/curves "$venv/bin/python" -m survey run sample_data/network.gpkg -o "$aside/out"
  "$venv/bin/python" -m survey plan "$aside/out" --budget 3
} >/dev/null &
compiling+=($!)
"$venv/bin/python" -m survey site --direct --kva 300 --kv 12.47 --connection delta --cap-nf-km 200 --length 100 >/dev/null &
compiling+=($!)
unset SURVEY_COMPILE_FROM

"$venv/bin/ruff" format --check .
"$venv/bin/ruff" check .
"$venv/bin/mypy"
for job in "${compiling[@]}"; do wait "$job"; done
compiling=()
"$venv/bin/pytest" -n 2 --dist loadfile --cov --cov-report=term:skip-covered "$@"
