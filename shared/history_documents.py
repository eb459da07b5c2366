"""Analysis documents as they are kept: canonical JSON, compressed, named by their hash."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from shared.analysis_json import LIMIT_BYTES
from shared.errors import HistoryError


def packed(document: Mapping[str, Any]) -> tuple[str, bytes]:
    """Hash and compressed bytes of a document.

    Parameters
    ----------
    document : mapping
        As `shared.analysis_json.to_document` makes it.

    Returns
    -------
    uid : str
        SHA-256 of the canonical JSON (sorted keys, no spaces, UTF-8).
    content : bytes
        zlib of the same JSON.
    """
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    data = text.encode()
    return hashlib.sha256(data).hexdigest(), zlib.compress(data, 6)


def plain(content: bytes | None, uid: str, file: Path) -> bytes:
    """The JSON bytes of a stored document; HistoryError if they are not what was stored."""
    data = None
    if content is not None:
        try:
            unzip = zlib.decompressobj()
            data = unzip.decompress(content, LIMIT_BYTES)
        except zlib.error:
            data = None
    if data is None or hashlib.sha256(data).hexdigest() != uid:
        raise HistoryError(
            str(file),
            f"the stored analysis {uid[:12]} is damaged",
            "measure its clip again, or put back a backup copy of the history",
        )
    return data


def unpacked(content: bytes | None, uid: str, file: Path) -> dict[str, Any]:
    """The stored document; HistoryError if it is damaged."""
    found: dict[str, Any] = json.loads(plain(content, uid, file))
    return found
