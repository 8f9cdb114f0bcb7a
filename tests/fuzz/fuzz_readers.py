"""Look for files that a reader trips over: `python tests/fuzz/fuzz_readers.py KIND SECONDS`, with atheris installed.

KIND is one of the names in `readers.py` (csv, gpkg, tif, wkb ...). What it finds is written to the folder it names,
and becomes a test of its own. `all` goes through every kind, so many seconds each, in a process each.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import atheris

from riskmap.environment import close_doors

close_doors()  # as every command does before the first library is imported

with atheris.instrument_imports(include=["riskmap.read"]):
    from readers import FILES, TEXTS, read_file, read_text, seed


def main() -> None:
    """Fuzz one kind, or each in turn."""
    kind, seconds = sys.argv[1], sys.argv[2]
    if kind == "all":
        for one in (*FILES, *TEXTS):
            done = subprocess.run([sys.executable, __file__, one, seconds], check=False, capture_output=True, text=True)
            last = [
                line for line in done.stderr.splitlines() if line.startswith(("Done", "#", "==", "artifact", "   ==="))
            ]
            sys.stdout.write(f"{one}: status {done.returncode}; {' | '.join(last[-3:])}\n")
            sys.stdout.flush()
        return
    here = Path(tempfile.mkdtemp(prefix=f"fuzz-{kind}-"))
    corpus, work = here / "corpus", here / "work"
    corpus.mkdir()
    work.mkdir()
    (corpus / "sound").write_bytes(seed(kind, work))

    def once(data: bytes) -> None:
        if kind in TEXTS:
            read_text(kind, data)
            return
        with tempfile.TemporaryDirectory(dir=work) as folder:
            read_file(kind, data, Path(folder))

    words = [sys.argv[0], str(corpus), f"-max_total_time={seconds}", "-max_len=20000", "-rss_limit_mb=3000"]
    atheris.Setup([*words, "-timeout=30", f"-artifact_prefix={here}/"], once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
