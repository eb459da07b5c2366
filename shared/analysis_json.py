"""The analysis document (`laneside/analysis/1`): to JSON and back.

The layout is described in docs/analysis-json.md. Numbers that are not finite become ``null``.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from shared.analysis import (
    SCHEMA,
    Analysis,
    Cue,
    Curve,
    Event,
    FloatArray,
    Measure,
    Observation,
    Provenance,
    Score,
)
from shared.errors import LanesideError
from shared.files import write_text
from shared.track import ClipInfo, Scale, ViewQuality

LIMIT_BYTES = 200_000_000
"""A document larger than this isn't ours; refuse it before reading it into memory."""


class DocumentError(LanesideError):
    """An analysis document can't be read."""

    exit_code = 6


def _plain(value: Any) -> Any:
    """Turn numpy values, tuples and mappings into what JSON knows; non-finite becomes None."""
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value


def _rounded(values: FloatArray, digits: int) -> list[Any]:
    return [None if not math.isfinite(v) else round(v, digits) for v in np.asarray(values, float).tolist()]


def to_document(analysis: Analysis) -> dict[str, Any]:
    """The analysis as plain dictionaries and lists, ready for JSON."""
    clip = analysis.clip
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "clip": {
            "name": Path(clip.path).name,
            "sha256": clip.sha256,
            "frames": clip.frames,
            "width": clip.width,
            "height": clip.height,
            "capture_rate_hz": clip.capture_rate_hz,
            "container_rate_hz": clip.container_rate_hz,
            "time_base": clip.time_base,
            "repeated_frames": clip.repeated_frames,
            "direction": analysis.direction,
            "near_side": analysis.near_side,
            "near_side_confidence": analysis.near_side_confidence,
            "camera": analysis.camera,
            "notes": list(clip.notes),
        },
        "athlete": dict(analysis.athlete),
        "profile": analysis.profile,
        "scale": None
        if analysis.scale is None
        else {
            "metres_per_px": analysis.scale.metres_per_px,
            "relative_sd": analysis.scale.relative_sd,
            "source": analysis.scale.source,
        },
        "quality": {
            "off_perpendicular_deg": analysis.quality.off_perpendicular_deg,
            "off_perpendicular_sd_deg": analysis.quality.off_perpendicular_sd_deg,
            "roll_deg": analysis.quality.roll_deg,
            "roll_sd_deg": analysis.quality.roll_sd_deg,
            "runner_height_px": analysis.quality.runner_height_px,
            "blur_px": analysis.quality.blur_px,
            "hidden": dict(analysis.quality.hidden),
            "notes": list(analysis.quality.notes),
        },
        "events": [
            {
                "kind": e.kind,
                "side": e.side,
                "time_s": e.time_s,
                "low_s": e.low_s,
                "high_s": e.high_s,
                "frame": e.frame,
                "evidence": dict(e.evidence),
            }
            for e in analysis.events
        ],
        "measures": [
            {
                "key": m.key,
                "side": m.side,
                "value": m.value,
                "unit": m.unit,
                "low": m.low,
                "high": m.high,
                "n": m.n,
                "status": m.status,
                "why": m.why,
                "frame": m.frame,
                "error_parts": dict(m.error_parts),
                "label": m.label,
                "estimate": m.estimate,
            }
            for m in analysis.measures
        ],
        "observations": [
            {
                "key": o.key,
                "side": o.side,
                "stride": o.stride,
                "value": o.value,
                "unit": o.unit,
                "low": o.low,
                "high": o.high,
                "time_s": o.time_s,
                "frame": o.frame,
            }
            for o in analysis.observations
        ],
        "curves": [
            {
                "key": c.key,
                "side": c.side,
                "percent": list(range(101)),
                "mean": _rounded(c.mean, 3),
                "sd": _rounded(c.sd, 3),
                "half_width": _rounded(c.half_width, 3),
                "strides": [_rounded(row, 3) for row in c.strides],
                "n": c.n,
            }
            for c in analysis.curves
        ],
        "scores": [
            {
                "key": s.key,
                "side": s.side,
                "target": list(s.target),
                "verdict": s.verdict,
                "source": s.source,
                "area": s.area,
                "distance": s.distance,
            }
            for s in analysis.scores
        ],
        "cues": [
            {
                "key": c.key,
                "side": c.side,
                "text": c.text,
                "frame": c.frame,
                "caution": c.caution,
                "rank": c.rank,
                "seen": c.seen,
                "why": c.why,
                "do": c.do,
                "avoid": c.avoid,
                "evidence": c.evidence,
            }
            for c in analysis.cues
        ],
        "cautions": list(analysis.cautions),
        "notes": list(analysis.notes),
        "provenance": {
            "program_version": analysis.provenance.program_version,
            "created": analysis.provenance.created,
            "model": analysis.provenance.model,
            "settings": dict(analysis.provenance.settings),
        },
        "frames": {
            "frame": analysis.frame.tolist(),
            "time_s": _rounded(analysis.time_s, 6),
            "angles": {name: _rounded(values, 2) for name, values in analysis.angles.items()},
        },
    }
    return _plain(document)  # type: ignore[no-any-return]


def write_analysis(analysis: Analysis, path: Path) -> None:
    """Write the document; OutputError if it can't be written, never half of it."""
    write_text(path, json.dumps(to_document(analysis), indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _array(values: Sequence[Any]) -> FloatArray:
    return np.array([_number(v) for v in values], dtype=float)


def from_document(document: Mapping[str, Any], name: str = "analysis") -> Analysis:
    """The analysis that `to_document` wrote.

    Parameters
    ----------
    document : mapping
        Parsed JSON.
    name : str
        File name for messages.

    Raises
    ------
    DocumentError
        If it is not a document of this schema, or of a newer one, or parts are missing.
    """
    schema = document.get("schema") if isinstance(document, Mapping) else None
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith("laneside/analysis/")
        why = (
            f"it was written by another version ({schema})"
            if newer
            else "it is not a Laneside analysis (no schema laneside/analysis/1)"
        )
        mend = "open it with that version" if newer else "choose an analysis.json made by laneside measure"
        raise DocumentError(name, why, mend)
    try:
        return _build(document)
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise DocumentError(
            name, f"a part of it is missing or malformed ({str(error)[:200]})", "measure the clip again"
        ) from error


def _build(d: Mapping[str, Any]) -> Analysis:
    clip, quality, scale, frames = d["clip"], d["quality"], d["scale"], d["frames"]
    return Analysis(
        clip=ClipInfo(
            path=clip["name"],
            sha256=clip["sha256"],
            frames=clip["frames"],
            width=clip["width"],
            height=clip["height"],
            capture_rate_hz=clip["capture_rate_hz"],
            container_rate_hz=clip["container_rate_hz"],
            time_base=clip["time_base"],
            repeated_frames=clip["repeated_frames"],
            notes=tuple(clip["notes"]),
        ),
        direction=clip["direction"],
        near_side=clip["near_side"],
        near_side_confidence=_number(clip["near_side_confidence"]),
        camera=clip["camera"],
        scale=None if scale is None else Scale(**scale),
        quality=ViewQuality(
            off_perpendicular_deg=_number(quality["off_perpendicular_deg"]),
            off_perpendicular_sd_deg=_number(quality["off_perpendicular_sd_deg"]),
            roll_deg=_number(quality["roll_deg"]),
            roll_sd_deg=_number(quality["roll_sd_deg"]),
            runner_height_px=_number(quality["runner_height_px"]),
            blur_px=_number(quality["blur_px"]),
            hidden={k: _number(v) for k, v in quality["hidden"].items()},
            notes=tuple(quality["notes"]),
        ),
        athlete=dict(d["athlete"]),
        profile=d["profile"],
        frame=np.array(frames["frame"], dtype=np.int64),
        time_s=_array(frames["time_s"]),
        angles={k: _array(v) for k, v in frames["angles"].items()},
        events=tuple(Event(**e) for e in d["events"]),
        observations=tuple(_observation(o) for o in d["observations"]),
        measures=tuple(Measure(**m) for m in d["measures"]),
        curves=tuple(
            Curve(
                key=c["key"],
                side=c["side"],
                mean=_array(c["mean"]),
                sd=_array(c["sd"]),
                half_width=_array(c["half_width"]),
                strides=np.array([_array(row) for row in c["strides"]], dtype=float).reshape(-1, 101),
                n=c["n"],
            )
            for c in d["curves"]
        ),
        scores=tuple(
            Score(
                key=s["key"],
                side=s["side"],
                target=(s["target"][0], s["target"][1]),
                verdict=s["verdict"],
                source=s["source"],
                area=s["area"],
                distance=_number(s["distance"]),
            )
            for s in d["scores"]
        ),
        cues=tuple(Cue(**c) for c in d["cues"]),
        cautions=tuple(d["cautions"]),
        notes=tuple(d["notes"]),
        provenance=Provenance(**d["provenance"]),
    )


def _observation(o: Mapping[str, Any]) -> Observation:
    return Observation(
        key=o["key"],
        side=o["side"],
        stride=o["stride"],
        value=_number(o["value"]),
        unit=o["unit"],
        low=_number(o["low"]),
        high=_number(o["high"]),
        time_s=_number(o["time_s"]),
        frame=o["frame"],
    )


def read_analysis(path: Path) -> Analysis:
    """Read a document written by `write_analysis`.

    Raises
    ------
    DocumentError
        If the file is missing, too large, not JSON, or not of this schema.
    """
    try:
        if path.stat().st_size > LIMIT_BYTES:
            raise DocumentError(
                path.name,
                "it is far larger than an analysis",
                "choose an analysis.json made by laneside measure",
            )
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise DocumentError(
            path.name, f"it can't be read ({error.strerror})", "check the path and its permissions"
        ) from error
    except (ValueError, RecursionError) as error:
        raise DocumentError(
            path.name, "it is not valid JSON", "choose an analysis.json made by laneside measure"
        ) from error
    return from_document(document, path.name)
