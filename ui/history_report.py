"""The report of a comparison: one content, as a self-contained page, a PDF and a table."""

from __future__ import annotations

import base64
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from shared.errors import LanesideError
from shared.files import output_error, write_text
from shared.progress import Progress, silent
from shared.units import Units
from technique.comparison import Comparison, compare
from technique.comparison_repeats import FREEDOM_NEEDED, own_repeatability
from technique.curve_comparison import CurveComparison, compare_curves
from technique.pooling import pooled_curves
from technique.reliability import minimal_detectable_change
from technique.rulers import speed_ruler, turned
from technique.takes import Take
from ui.apart import in_child
from ui.history_find import Group, clip_file
from ui.history_pdf import html_page, write_pdf
from ui.history_plots import curve_panels, curves_shown
from ui.history_rows import change_blocks, comparison_table, short_sentence
from ui.history_words import CHANGE_INK, capital, change_sign, comparison_notes
from ui.leftovers import PREFIX
from ui.pictures import FOLDER, POSITIONS
from ui.report import PdfError

HTML_NAME: Final = "comparison.html"
PDF_NAME: Final = "comparison.pdf"
TABLE_NAME: Final = "comparison.csv"
VIDEO_NAME: Final = "side_by_side.mp4"
CURVE_MEASURE: Final[dict[str, str]] = {
    "trunk": "trunk_lean",
    "thigh": "thigh_angle_max",
    "knee": "knee_flexion_swing_max",
    "elbow": "elbow_angle_mean",
}
NOT_A_JUDGEMENT: Final = (
    "A change is a change, not better or worse by itself: whether it helps is for you, your coach and the stopwatch "
    "to say. Pain is a reason to stop and to see a licensed clinician, whatever these numbers are."
)


@dataclass(frozen=True)
class Pair:
    """A key position in both: titles, words and files."""

    title: str
    before: Path
    after: Path
    alt_before: str
    alt_after: str


@dataclass(frozen=True)
class Compared:
    """A comparison with its curves, and whether these may be laid over each other."""

    comparison: Comparison
    curves: tuple[CurveComparison, ...]
    why_no_curves: str | None


@dataclass(frozen=True)
class ComparisonFiles:
    """What `write_comparison` left behind."""

    compared: Compared
    folder: Path
    files: tuple[Path, ...]
    notes: tuple[str, ...]


def compared(
    before: Group, after: Group, repeats: Sequence[Sequence[Take]] = (), aims: Sequence[str] = ()
) -> Compared:
    """Two groups compared: measures, and curves where anything may be compared at all."""
    found = compare(before.takes, after.takes, repeats, aims=aims)
    if not any(c.verdict != "not comparable" and c.key != "speed" for c in found.changes):
        return Compared(found, (), found.summary)
    sides = _sides(before) & _sides(after)
    if not sides:
        return Compared(
            found, (), "The two were filmed from different sides, so no curve is laid over another."
        )
    curves = curve_pairs(before, after, found.same_day, repeats)
    return Compared(found, tuple(curves_shown(curves, sorted(sides))), None)


def curve_pairs(
    before: Group, after: Group, same_day: bool, repeats: Sequence[Sequence[Take]] = ()
) -> list[CurveComparison]:
    """Every curve that both have; the error is the athlete's own where repeats have shown it.

    How far a whole curve wanders is taken from the measure that is read on it (`CURVE_MEASURE`).
    """
    other = {(c.key, c.side): c for c in pooled_curves(after.analyses)}
    out = []
    for c in pooled_curves(before.analyses):
        if (c.key, c.side) not in other:
            continue
        key = CURVE_MEASURE.get(c.key)
        own = None if key is None else own_repeatability(repeats, key, c.side, same_day)
        sem = None
        if own is not None and own.freedom >= FREEDOM_NEEDED:
            sem = own.detectable / minimal_detectable_change(1.0)
        out.append(compare_curves(c, other[c.key, c.side], same_day, sem))
    return out


def _sides(group: Group) -> set[str]:
    return {a.near_side for a in group.analyses}


def pairs(before: Group, after: Group) -> list[Pair]:
    """Stored stills of the same key position, of the same near side where there is one."""
    best = None
    for a, fa in zip(before.analyses, before.folders):
        for b, fb in zip(after.analyses, after.folders):
            if fa is not None and fb is not None and a.near_side == b.near_side and best is None:
                best = (a, fa, b, fb)
    if best is None:
        return []
    a, fa, b, fb = best
    out = []
    for position in POSITIONS:
        files = [f / FOLDER / f"{position.name}.jpg" for f in (fa, fb)]
        if all(f.is_file() for f in files):
            words = f"{position.title}, {a.near_side} side"
            out.append(
                Pair(
                    position.title, files[0], files[1], f"{words}, {before.label}", f"{words}, {after.label}"
                )
            )
    return out


def group_facts(before: Group, after: Group, units: Units = "metric") -> list[tuple[str, str, str]]:
    """How the two were made, side by side."""

    def of(group: Group) -> list[str]:
        rates = sorted({round(a.clip.capture_rate_hz) for a in group.analyses})
        speeds = [t.speed_mps for t in group.takes if t.speed_mps is not None]
        dates = sorted({t.day for t in group.takes if t.day})
        return [
            group.label,
            ", ".join(dates) or "not given",
            f"{len(group.takes)} with {len(group.analyses)} clip{'s' if len(group.analyses) > 1 else ''}",
            " and ".join(sorted(_sides(group))),
            speed_ruler(units).change(sum(speeds) / len(speeds)) if speeds else "not known",
            ", ".join(sorted({a.camera for a in group.analyses})),
            ", ".join(f"{r} frames/s" for r in rates),
        ]

    names = ("Label", "Day", "Sessions", "Near side", "Speed", "Camera", "Filmed at")
    return list(zip(names, of(before), of(after)))


def is_invented(*groups: Group) -> bool:
    """Whether an invented analysis is among them."""
    return any(
        n.startswith("Invented") for g in groups for a in g.analyses for n in (*a.notes, *a.clip.notes)
    )


def content(before: Group, after: Group, made: Compared, units: Units = "metric") -> dict[str, Any]:
    """Everything that page and PDF show, as plain values."""
    found = made.comparison
    return {
        "title": "What changed",
        "invented": is_invented(before, after),
        "before": before.label,
        "after": after.label,
        "summary": turned(found.summary, units),
        "facts": group_facts(before, after, units),
        "changed": [
            {"sign": change_sign(c.verdict, c.difference), "text": short_sentence(c, units)}
            for c in found.changed
        ],
        "perhaps": [
            {"sign": change_sign(c.verdict, c.difference), "text": short_sentence(c, units)}
            for c in found.perhaps
        ],
        "notes": [*comparison_notes(found, units), NOT_A_JUDGEMENT],
        "blocks": change_blocks(found, units),
        "why_no_curves": made.why_no_curves and turned(made.why_no_curves, units),
        "curve_sentences": [capital(c.sentence) for c in made.curves],
        "ink": {k.replace(" ", "-"): v for k, v in CHANGE_INK.items()},
    }


def write_comparison(
    before: Group,
    after: Group,
    out: Path,
    repeats: Sequence[Sequence[Take]] = (),
    *,
    video: bool = True,
    clips: Sequence[Path] = (),
    progress: Progress = silent,
    aims: Sequence[str] = (),
    units: Units = "metric",
) -> ComparisonFiles:
    """Compare two groups and write page, PDF, table and, where both clips are at hand, the video.

    `clips` are files that may be theirs, beside where they were last seen; `aims` the measures that
    somebody set out to change; `units` those of page and PDF, the table stays metric.

    Raises
    ------
    OutputError
        If the folder can't be written.
    """
    made = compared(before, after, repeats, aims)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise output_error(out, error) from error
    notes: list[str] = []
    files = [out / HTML_NAME, out / TABLE_NAME]
    has_video = False
    if video:
        try:
            has_video = _video(before, after, out / VIDEO_NAME, clips, progress, notes)
        except LanesideError as error:
            notes.append(f"No side-by-side video: {error.why}; {error.mend}.")
    shown = content(before, after, made, units)
    shown["notes"] += notes
    stills = pairs(before, after)
    panels = curve_panels(made.curves)
    page = shown | {
        "pairs": [
            {
                "title": p.title,
                "before": _inline(p.before),
                "after": _inline(p.after),
                "alt_before": p.alt_before,
                "alt_after": p.alt_after,
            }
            for p in stills
        ],
        "panels": [
            {"picture": _inline_svg(svg), "alt": sentence}
            for svg, sentence in zip(panels, shown["curve_sentences"])
        ],
        "video": VIDEO_NAME if has_video else None,
    }
    write_text(out / HTML_NAME, html_page("comparison.html", page))
    write_text(out / TABLE_NAME, comparison_table(made.comparison))
    if has_video:
        files.append(out / VIDEO_NAME)
    try:
        _pdf(shown, panels, stills, out / PDF_NAME)
        files.insert(1, out / PDF_NAME)
    except PdfError as error:
        notes.append(str(error))
    return ComparisonFiles(made, out, tuple(files), tuple(notes))


def _inline(file: Path) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(file.read_bytes()).decode("ascii")


def _inline_svg(svg: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode("utf-8")).decode("ascii")


def _pdf(shown: dict[str, Any], panels: Sequence[str], stills: Sequence[Pair], out: Path) -> None:
    drawings: dict[str, str] = {}
    pictures: dict[str, Path] = {}
    blocks = []
    for block in shown["blocks"]:
        rows = []
        for row in block["rows"]:
            name = f"strip-{len(drawings)}.svg" if row.strip else ""
            if name:
                drawings[name] = row.strip
            rows.append({**row.__dict__, "strip": name})
        blocks.append({**block, "rows": rows})
    curves = {f"curve-{i}.svg": svg for i, svg in enumerate(panels)}
    drawings |= curves
    shots = []
    for i, p in enumerate(stills):
        pictures |= {f"before-{i}.jpg": p.before, f"after-{i}.jpg": p.after}
        shots.append({"title": p.title, "before": f"before-{i}.jpg", "after": f"after-{i}.jpg"})
    data = shown | {"blocks": blocks, "pairs": shots, "panels": list(curves)}
    write_pdf("comparison.typ", data, drawings, pictures, out)


def _video(
    before: Group, after: Group, path: Path, clips: Sequence[Path], progress: Progress, notes: list[str]
) -> bool:
    """Write the video where both clips can be found; False, with a note, where not."""
    from shared.track_file import read_track
    from ui.history_video import Side, write_pair_video

    sides = []
    wanted = _sides(before) & _sides(after)
    for group in (before, after):
        for a, folder in zip(group.analyses, group.folders):
            if wanted and a.near_side not in wanted:
                continue
            if folder is None or not (folder / "track.npz").is_file():
                continue
            clip = clip_file(folder, a, clips)
            if clip is not None:
                sides.append(Side(clip, read_track(folder / "track.npz"), a, group.label))
                wanted = {a.near_side} if wanted else wanted
                break
    if len(sides) < 2:
        notes.append(
            "No side-by-side video: the clip of at least one of the two is not where it was measured, "
            "or is not the same file any more."
        )
        return False
    try:
        with tempfile.TemporaryDirectory(prefix=PREFIX, dir=path.parent) as room:
            made = Path(room) / path.name
            in_child(write_pair_video, sides[0], sides[1], made, what=path.name, progress=progress)
            made.replace(path)
    except OSError as error:
        raise output_error(path, error) from error
    return True
