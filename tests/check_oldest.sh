#!/usr/bin/env bash
# The oldest versions that pyproject.toml promises: the sample is surveyed and the quick tests pass on them.
set -euo pipefail
cd "$(dirname "$0")/.."

venv=${SURVEY_OLDEST_VENV:-.venv-oldest}
[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/python" -m pip install -q --disable-pip-version-check uv
"$venv/bin/uv" pip install -q --python "$venv/bin/python" --resolution lowest-direct -e .
"$venv/bin/uv" pip install -q --python "$venv/bin/python" pytest hypothesis selenium
"$venv/bin/python" -W "ignore::DeprecationWarning" -m pytest -q -o addopts="" -o filterwarnings=default \
  tests/test_library.py tests/cli/test_run.py tests/network/test_export.py tests/report/test_outputs.py
