#!/usr/bin/env bash
# Fuzz the grid kernel under AddressSanitizer and UndefinedBehaviorSanitizer: tests/asan.sh [SEEDS]
# Builds into a new folder; the tree is not touched. Needs gcc and the packages of the active environment (or PYTHON).
set -euo pipefail
cd "$(dirname "$0")/.."
if [ -z "${PYTHON:-}" ]; then
    if [ -n "${VIRTUAL_ENV:-}" ]; then PYTHON="$VIRTUAL_ENV/bin/python"; else PYTHON=.venv/bin/python; fi
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cp -r riskmap "$work/riskmap"
rm -f "$work"/riskmap/measure/_grid*.so
cp tests/fuzz_grid.py "$work/"
include=$("$PYTHON" -c 'import sysconfig; print(sysconfig.get_path("include"))')
for without in '' -U__SSE2__; do # as it is compiled here, and as it is for a machine without pairs of numbers
    gcc -O1 -g $without -fsanitize=address,undefined -fno-sanitize-recover=undefined -fno-omit-frame-pointer \
        -ffp-contract=off -Wall -Wextra -Werror -shared -fPIC -I"$include" riskmap/measure/_grid.c \
        -o "$work/riskmap/measure/_grid.abi3.so" -lm
    (
        cd "$work"
        PYTHONPATH="$work" LD_PRELOAD="$(gcc -print-file-name=libasan.so) $(gcc -print-file-name=libubsan.so)" \
            ASAN_OPTIONS=detect_leaks=0 "$PYTHON" fuzz_grid.py 1 "${1:-60}"
    )
done
