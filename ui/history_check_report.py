"""The return check as a page and a PDF."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from shared import history as H
from shared.files import output_error, write_text
from shared.units import Units
from technique.comparison_words import sentence_of
from technique.posture_points import PosturePoint, point_ruler, range_text
from technique.return_check import ReturnCheck
from technique.rulers import ruler, speed_ruler, turned
from technique.side_comparison import SidePair, side_ruler
from ui import look
from ui.history_find import session_text
from ui.history_pdf import html_page, write_pdf
from ui.history_words import capital, interval_text
from ui.report import PdfError

HTML_NAME: Final = "return_check.html"
PDF_NAME: Final = "return_check.pdf"
NOTHING_STOOD_OUT: Final = "Nothing stood out beyond its error. That says nothing of what was not measured, and nothing of readiness."
SIDE_SIGN: Final[dict[str, str]] = {
    "differs": "▲",
    "no difference beyond error": "●",
    "not comparable": "○",
}


def check_content(
    made: ReturnCheck, athlete: H.Athlete, session: H.Session, baseline: H.Session | None, invented: bool
) -> dict[str, Any]:
    """Everything that page and PDF show, as plain values, in the units of the check."""
    units = made.units
    speed = speed_ruler(units, 1)
    return {
        "title": made.title,
        "invented": invented,
        "athlete": athlete.name,
        "session": session_text(session),
        "baseline": session_text(baseline) if baseline is not None else None,
        "fixed": list(made.fixed),
        "flags": [capital(f) for f in made.flags],
        "nothing": NOTHING_STOOD_OUT,
        "sides": [side_row(s, units) for s in made.sides],
        "points": [point_row(p, units) for p in made.points],
        "against": []
        if made.baseline is None
        else [capital(sentence_of(c, units)) for c in made.baseline.changes],
        "against_summary": None if made.baseline is None else turned(made.baseline.summary, units),
        "log": [
            (
                r.date[:10],
                "not entered" if r.speed_mps is None else speed.change(r.speed_mps),
                "not entered" if r.pain is None else f"{r.pain} of 10",
                r.note,
            )
            for r in made.log
        ],
        "measured": [capital(m) for m in made.measured],
        "not_measured": [capital(m) for m in made.not_measured],
        "notes": [
            *made.notes,
            *(
                ["Written in feet, inches and miles per hour; what is stored stays metric."]
                if units == "imperial"
                else []
            ),
        ],
        "ink": dict(look.VERDICT_INK),
    }


def side_row(s: SidePair, units: Units = "metric") -> dict[str, str]:
    """Left against right in words."""
    of, between = ruler(s.key, s.unit, units), side_ruler(s)

    def side(value: float | None, half: float | None) -> str:
        if value is None:
            return "not measured"
        return of.value(value) + ("" if half is None else f" ± {of.number(half)}{' in' if of.long else ''}")

    return {
        "name": capital(s.name),
        "left": side(s.left, s.left_half),
        "right": side(s.right, s.right_half),
        "difference": "" if s.difference is None else between.change(s.difference, sign=True),
        "interval": interval_text(s.low, s.high, between),
        "sign": SIDE_SIGN[s.verdict],
        "word": s.verdict if s.reason is None else f"{s.verdict}: {turned(s.reason, units)}",
    }


def point_row(p: PosturePoint, units: Units = "metric") -> dict[str, str]:
    """A posture point in words."""
    shown = point_ruler(p, units)
    return {
        "name": capital(p.name),
        "value": "not measured" if p.value is None else shown.value(p.value),
        "interval": ""
        if p.value is None or p.low is None or p.high is None
        else shown.between(p.low, p.high),
        "range": range_text(p, units),
        "source": f"{p.source}; evidence: {p.evidence}",
        "sign": look.VERDICT_SIGN[p.verdict],
        "word": look.VERDICT_WORD[p.verdict].replace("target", "range"),
        "verdict": p.verdict,
    }


def write_check(
    made: ReturnCheck,
    athlete: H.Athlete,
    session: H.Session,
    baseline: H.Session | None,
    out: Path,
    invented: bool = False,
) -> tuple[tuple[Path, ...], tuple[str, ...]]:
    """Write page and PDF into `out`.

    Returns
    -------
    files : tuple of Path
    notes : tuple of str
        For instance why there is no PDF.

    Raises
    ------
    OutputError
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise output_error(out, error) from error
    shown = check_content(made, athlete, session, baseline, invented)
    write_text(out / HTML_NAME, html_page("return_check.html", shown))
    try:
        write_pdf("return_check.typ", shown, {}, {}, out / PDF_NAME)
    except PdfError as error:
        return (out / HTML_NAME,), (str(error),)
    return (out / HTML_NAME, out / PDF_NAME), ()
