"""Large blocks go back to the system when they are freed, even after others were freed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CODE = """
import sys
import numpy as np
from vision.large_blocks import keep_large_blocks_apart

def resident():
    return int(open("/proc/self/statm").read().split()[1]) * 4096

if sys.argv[1] == "set":
    assert keep_large_blocks_apart()
for _ in range(2):  # freeing the first is what raises the limit
    held = np.ones(25 << 20, np.uint8)
    del held
rows = []
before = resident()
for _ in range(4):
    blocks = [np.ones(25 << 20, np.uint8) for _ in range(4)]
    rows.append(np.ones(2000))  # something small stays behind each
    del blocks
print(resident() - before)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a setting of glibc")
def test_nothing_of_large_pictures_stays() -> None:
    kept = {
        way: int(subprocess.check_output([sys.executable, "-c", CODE, way], cwd=ROOT))
        for way in ("set", "not")
    }
    assert kept["set"] < 5 << 20
    assert kept["not"] > 20 << 20, "the program would not need it"
