#!/usr/bin/env bash
# Every check of the style sheet, in its order; stops at the first that fails.
# The tools come from one environment: PYTHON, or the active one, or .venv (pip install -e ".[test,check]").
set -euo pipefail
cd "$(dirname "$0")/.."

if [ -z "${PYTHON:-}" ]; then
    if [ -n "${VIRTUAL_ENV:-}" ]; then PYTHON="$VIRTUAL_ENV/bin/python"; else PYTHON=.venv/bin/python; fi
fi
tools=$(dirname "$PYTHON")

step() {
    echo "== $1"
    shift
    "$@"
}

step "ruff format" "$PYTHON" -m ruff format --check .
step "ruff check" "$PYTHON" -m ruff check .
step "mypy" "$PYTHON" -m mypy
step "lint-imports" "$tools/lint-imports" --no-cache
step "numpydoc lint" sh -c 'find riskmap -name "*.py" -print0 | sort -z | xargs -0 "$0" -m numpydoc lint' "$PYTHON"
at_once=() # one file, one process: the cases of test_cases.py share their runs
"$PYTHON" -c "import xdist" 2>/dev/null && at_once=(-n auto --dist loadfile)
step "pytest" "$PYTHON" -m pytest "${at_once[@]}"
echo "== all checks passed"
