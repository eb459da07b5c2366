"""Memory of very large pictures goes back to the system as soon as it is free."""

from __future__ import annotations

import ctypes
from typing import Final

LARGE_BYTES: Final = 16 << 20
"""A coloured 4K picture has 25 MB, one of 1080p 6 MB."""
_MMAP_THRESHOLD: Final = -3
"""Name of the setting in glibc's malloc.h."""


def keep_large_blocks_apart() -> bool:
    """Have blocks from `LARGE_BYTES` on mapped one by one, and unmapped when they are freed.

    Left to itself glibc raises that limit to 32 MB once such a block was freed, and then keeps pictures in
    one pool for each thread, with holes: a 4K clip took 977 MB so and takes 659 MB (5 s of 60/s, 2 cores),
    for a sixth more of processor time. Nothing happens with another C library.

    Returns
    -------
    bool
        Whether it was set.
    """
    try:
        return bool(ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, LARGE_BYTES))
    except (AttributeError, OSError, TypeError):  # not glibc
        return False
