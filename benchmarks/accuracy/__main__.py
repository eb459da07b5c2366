"""``python -m benchmarks.accuracy``: look, measure, hold against the truth, write table and plots."""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from benchmarks.accuracy.command import main  # noqa: E402

if __name__ == "__main__":
    raise SystemExit(main())
