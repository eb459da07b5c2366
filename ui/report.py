"""The report: one content, shown as a self-contained page and as a PDF."""

from __future__ import annotations

import base64
import json
import math
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from shared.analysis import Analysis, Measure, Score
from shared.catalogue import MEASURES, SYMMETRY_PREFIX
from shared.errors import LanesideError
from shared.files import whole_file, write_text
from shared.units import written
from technique.time_base_notes import time_base_doubts
from ui import look, plots
from ui.in_units import (
    UNITS_FACT,
    athlete_text,
    between_text,
    cue_in_units,
    sentence,
    target_text,
    unit_text,
    value_text,
)
from ui.pictures import Picture

TEMPLATES: Final = Path(__file__).parent / "templates"
DOUBTS_HEAD: Final = "Read this first: is this slow motion?"
NO_CUES: Final = "Nothing lies outside its target by more than its own error."
AREAS: Final = ("rhythm", "trunk", "legs", "foot strike", "arms", "forces")


@dataclass(frozen=True)
class Row:
    """One line of the table of measures, in words."""

    key: str
    name: str
    plain: str
    side: str
    value: str
    interval: str
    target: str
    sign: str
    word: str
    verdict: str
    strip: str
    frame: int | None
    n: int
    source: str


@dataclass(frozen=True)
class AreaBlock:
    """A body area: its measured rows, what could not be measured, and the count of verdicts."""

    title: str
    counts: str
    rows: tuple[Row, ...]
    missing: tuple[tuple[str, str, str], ...]


def side_text(side: str, near: str) -> str:
    """Near or far, with the anatomical side beside it."""
    return "whole body" if side == "both" else f"{'near' if side == near else 'far'} ({side})"


def areas(analysis: Analysis, feet: bool = False) -> tuple[AreaBlock, ...]:
    """The measures by body area; those with a target first, symmetry left to its own table.

    Parameters
    ----------
    analysis : Analysis
    feet : bool
        Lengths in feet or inches, speeds in miles per hour.
    """
    scores = {(s.key, s.side): s for s in analysis.scores}
    blocks = []
    for area in AREAS:
        inside = [m for m in analysis.measures if m.key in MEASURES and MEASURES[m.key].area == area]
        rows = [
            _row(m, scores.get((m.key, m.side)), analysis, feet) for m in inside if m.status == "measured"
        ]
        rows.sort(key=lambda r: (r.verdict == "", list(MEASURES).index(r.key), not r.side.startswith("near")))
        missing = _missing(inside, analysis.near_side, feet)
        if rows or missing:
            blocks.append(AreaBlock(look.AREA_WORD[area], _counts(rows), tuple(rows), missing))
    return tuple(blocks)


def _row(m: Measure, score: Score | None, analysis: Analysis, feet: bool) -> Row:
    kind = MEASURES[m.key]
    if m.value is None or m.low is None or m.high is None:
        raise ValueError(f"{m.key} is measured but has no value")
    verdict = score.verdict if score else None
    return Row(
        key=m.key,
        name=kind.name + (" (estimate)" if m.estimate else ""),
        plain=kind.plain,
        side=side_text(m.side, analysis.near_side),
        value=m.label if m.label and kind.unit == "class" else value_text(m.value, m.key, m.unit, feet),
        interval=between_text(m.low, m.high, m.key, feet),
        target=target_text(*score.target, m.key, m.unit, feet) if score else "",
        sign=look.VERDICT_SIGN[verdict] if verdict else "",
        word=look.VERDICT_WORD[verdict] if verdict else "no target",
        verdict=verdict or "",
        strip=plots.target_strip(m, score.target, feet=feet) if score else "",
        frame=m.frame,
        n=m.n,
        source=score.source if score else "",
    )


def _missing(inside: Sequence[Measure], near: str, feet: bool) -> tuple[tuple[str, str, str], ...]:
    """What could not be measured, grouped by reason so that one sentence serves several."""
    reasons: dict[str, list[str]] = {}
    for m in inside:
        if m.status == "not_measurable":
            reasons.setdefault(sentence(m.why or "no reason given", feet), []).append(
                f"{MEASURES[m.key].name}, {side_text(m.side, near)}"
            )
    return tuple((why, "; ".join(names), str(len(names))) for why, names in reasons.items())


def _counts(rows: Sequence[Row]) -> str:
    parts = []
    for verdict in ("inside", "borderline", "outside"):
        n = sum(r.verdict == verdict for r in rows)
        if n:
            parts.append(f"{look.VERDICT_SIGN[verdict]} {n} {look.VERDICT_WORD[verdict]}")
    return ", ".join(parts)


def symmetry_rows(analysis: Analysis) -> list[dict[str, str]]:
    """Left against right, with its error; a difference counts only above its own error."""
    out = []
    for m in analysis.measures:
        key = m.key.removeprefix(SYMMETRY_PREFIX)
        if key == m.key or key not in MEASURES or m.value is None or m.low is None or m.high is None:
            continue
        beyond = m.low > 0 or m.high < 0
        digits = 0 if m.unit == "deg" else 1
        out.append(
            {
                "name": MEASURES[key].name,
                "value": f"{written(m.value, digits, sign=True)}{unit_text(m.key, m.unit)}",
                "interval": f"{written(m.low, digits, sign=True)} to {written(m.high, digits, sign=True)}",
                "word": "differs by more than its error" if beyond else "no difference beyond error",
                "sign": "▲" if beyond else "●",
            }
        )
    return out


def facts(analysis: Analysis, feet: bool = False) -> list[tuple[str, str]]:
    """The clip, how it was read and what was said of the athlete, as label and value."""
    clip, quality = analysis.clip, analysis.quality
    base = {"file": "the file's own time stamps", "tag": "a tag in the file", "user": "given by the user"}
    out = [
        ("Clip", Path(clip.path).name),
        (
            "Time base",
            f"{clip.capture_rate_hz:.4g} frames per real second, from {base[clip.time_base]}; "
            f"played at {clip.container_rate_hz:.4g}",
        ),
        (
            "Picture",
            f"{clip.width} × {clip.height} px, {clip.frames} frames, runner {quality.runner_height_px:.0f} px tall",
        ),
        (
            "View",
            f"{analysis.camera} camera, travel to the {analysis.direction}, near side {analysis.near_side}"
            + (
                f", about {abs(quality.off_perpendicular_deg):.0f}° off square (± {1.96 * quality.off_perpendicular_sd_deg:.0f}°)"
                if math.isfinite(quality.off_perpendicular_deg)
                else ""
            ),
        ),
    ]
    if analysis.scale is None:
        out.append(("Scale", "none: angles, times and ratios only"))
    else:
        out.append(
            ("Scale", f"from {analysis.scale.source}, ± {196 * analysis.scale.relative_sd:.0f} % (95 %)")
        )
    said = athlete_text(analysis, feet)
    return [*out, ("Athlete", said)] if said else out


def content(
    analysis: Analysis, pictures: Sequence[Picture], video: bool, feet: bool = False
) -> dict[str, Any]:
    """Everything both reports and the page show, as plain values.

    Parameters
    ----------
    analysis : Analysis
    pictures : sequence of Picture
    video : bool
        An annotated video stands beside the report.
    feet : bool
        Lengths in feet or inches, speeds in miles per hour.
    """
    cue_pictures = {p.cue_rank: p for p in pictures if p.cue_rank is not None}
    return {
        "title": "Running technique, measured",
        "profile": analysis.profile,
        "facts": facts(analysis, feet),
        "doubts_head": DOUBTS_HEAD,
        "doubts": [sentence(note, feet) for note in time_base_doubts(analysis.notes)],
        "cues": [
            cue_in_units(asdict(c), analysis, feet)
            | {"side": side_text(c.side, analysis.near_side), "picture": cue_pictures.get(c.rank)}
            for c in analysis.cues
        ],
        "no_cues": sentence(str(analysis.provenance.settings.get("why_no_cues") or NO_CUES), feet),
        "areas": areas(analysis, feet),
        "positions": [p for p in pictures if p.cue_rank is None],
        "symmetry": symmetry_rows(analysis),
        "cautions": list(analysis.cautions),
        "notes": [
            sentence(note, feet)
            for note in dict.fromkeys((*analysis.clip.notes, *analysis.quality.notes, *analysis.notes))
        ],
        "provenance": {
            "created": analysis.provenance.created,
            "version": analysis.provenance.program_version,
            "model": analysis.provenance.model,
            "sha256": analysis.clip.sha256,
            "settings": [
                (str(k).replace("_", " "), _setting(v))
                for k, v in analysis.provenance.settings.items()
                if k != "why_no_cues"
            ],
        },
        "video": video,
        "units": UNITS_FACT if feet else "",
        "verdicts": [(look.VERDICT_SIGN[v], look.VERDICT_WORD[v]) for v in look.VERDICT_SIGN],
    }


def _setting(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.4g}"
    return str(value)


def html_report(shown_content: dict[str, Any], curves_svg: str, folder: Path) -> str:
    """The self-contained page: pictures and plots are inside it; only the video stands beside it."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )

    def inline(file: str) -> str:
        data = base64.b64encode((folder / file).read_bytes()).decode("ascii")
        return f"data:image/jpeg;base64,{data}"

    environment.globals["inline"] = inline
    environment.globals["look"] = look
    return environment.get_template("report.html").render(**shown_content, curves_svg=curves_svg)


def write_reports(
    analysis: Analysis, pictures: Sequence[Picture], folder: Path, video: bool, feet: bool = False
) -> tuple[str, ...]:
    """Write ``report.html``, ``report.pdf`` and ``curves.svg`` into `folder`; arguments as for `content`.

    Returns
    -------
    tuple of str
        Notes to the user, for instance why there is no PDF.

    Raises
    ------
    OutputError
    """
    made = content(analysis, pictures, video, feet)
    curves_svg = plots.cycle_curves(analysis)
    if curves_svg:
        write_text(folder / "curves.svg", curves_svg)
    write_text(folder / "report.html", html_report(made, curves_svg, folder))
    try:
        write_pdf(made, curves_svg, folder)
    except PdfError as error:
        return (str(error),)
    return ()


class PdfError(LanesideError):
    """The PDF can't be set; the page still stands."""


def write_pdf(shown_content: dict[str, Any], curves_svg: str, folder: Path) -> None:
    """Set ``report.pdf`` with the embedded typesetter; no system library is needed.

    Raises
    ------
    PdfError
        If the typesetter is missing on this platform or refuses.
    """
    try:
        import typst
    except ImportError as error:
        raise PdfError(
            "report.pdf", "the typesetter is not installed here", "print report.html instead"
        ) from error
    with tempfile.TemporaryDirectory(prefix="laneside-pdf-") as room_name:
        room = Path(room_name)
        shutil.copy(TEMPLATES / "report.typ", room / "report.typ")
        for picture in (folder / "pictures").glob("*.jpg"):
            shutil.copy(picture, room / picture.name)
        if curves_svg:
            # The typesetter reads fonts by name; the plot's own list of fall-backs confuses it.
            (room / "curves.svg").write_text(curves_svg, encoding="utf-8")
        strips: dict[str, str] = {}
        for block in shown_content["areas"]:
            for row in block.rows:
                if row.strip:
                    name = f"strip-{len(strips)}.svg"
                    (room / name).write_text(_standalone(row.strip), encoding="utf-8")
                    strips[f"{row.key}|{row.side}"] = name
        data = json.loads(json.dumps(shown_content, default=_for_json))
        data |= {"strips": strips, "curves": bool(curves_svg)}
        (room / "content.json").write_text(json.dumps(data), encoding="utf-8")
        try:
            pdf = typst.compile(
                str(room / "report.typ"), root=str(room), font_paths=[str(look.font_folder())]
            )
        except (typst.TypstError, RuntimeError) as error:
            raise PdfError(
                "report.pdf", f"the typesetter refused ({error})", "print report.html instead"
            ) from error
    with whole_file(folder / "report.pdf") as part:
        part.write_bytes(pdf)


def _standalone(svg: str) -> str:
    return svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


def _for_json(value: object) -> object:
    if hasattr(value, "__dataclass_fields__"):
        return asdict(value)  # type: ignore[call-overload]
    raise TypeError(type(value).__name__)
