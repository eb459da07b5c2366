"""What holds for every test."""

from __future__ import annotations

import os

# Every test sees its clips anew, and none writes into the user's own cache.
os.environ["LANESIDE_CACHE"] = "off"
