#!/bin/sh
# The one check line: format, lint, strict types, consistent dependencies, tests. CI runs the same.
set -eu
cd "$(dirname "$0")/.."
python=${PYTHON:-.venv/bin/python}
"$python" -m ruff format --check .
"$python" -m ruff check .
# mypy wants a folder of the package's name; the repository root is the package itself.
mkdir -p .types && ln -sfn .. .types/heatdrift
mypy=$(cd "$(dirname "$python")" && pwd)/mypy
(cd .types && "$mypy" --config-file ../pyproject.toml heatdrift)
# What is installed fits together. Known holes are another question: see "Security" in DEVELOPERS.md.
"$python" -m pip check
"$python" -m pytest "$@"
