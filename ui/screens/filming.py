"""How to film, drawn by us: four small pictures with a sentence each."""

from __future__ import annotations

from html import escape
from typing import Final

from ui import look
from ui.screens.style import svg_img

_FIGURE: Final = (
    '<g stroke="{ink}" stroke-width="{w}" stroke-linecap="round" fill="none">'
    '<circle cx="0" cy="-62" r="7" fill="{ink}" stroke="none"/>'
    '<path d="M-1 -52 L-6 -24"/><path d="M-6 -24 L10 -12 L2 6"/><path d="M-6 -24 L-16 -4 L-34 -2"/>'
    '<path d="M-2 -48 L-14 -34 L-2 -28"/><path d="M-2 -48 L10 -38 L18 -48"/></g>'
)


def _runner(x: float, y: float, size: float = 1.0, ink: str = look.INK, mirrored: bool = False) -> str:
    turn = f"scale({-size if mirrored else size} {size})"
    return f'<g transform="translate({x} {y}) {turn}">{_FIGURE.format(ink=ink, w=5)}</g>'


def _phone(x: float, y: float) -> str:
    return (
        f'<rect x="{x - 8}" y="{y - 14}" width="16" height="28" rx="3" fill="{look.NEAR}"/>'
        f'<circle cx="{x}" cy="{y - 8}" r="2.4" fill="#fff"/>'
        f'<path d="M{x} {y + 14} L{x - 12} {y + 52} M{x} {y + 14} L{x + 12} {y + 52} M{x} {y + 14} L{x} {y + 52}" '
        f'stroke="{look.QUIET}" stroke-width="3" fill="none"/>'
    )


def _text(x: float, y: float, words: str, anchor: str = "middle", size: int = 14) -> str:
    return (
        f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}" fill="{look.INK}" '
        f'font-family="sans-serif">{escape(words)}</text>'
    )


def _frame(body: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 320 190" width="320" height="190">'
        f'<rect width="320" height="190" fill="{look.WASH}"/>{body}</svg>'
    )


def _arrow(x1: float, y1: float, x2: float, y2: float, both: bool = False) -> str:
    head = (
        '<defs><marker id="a" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="7" markerHeight="7" '
        f'orient="auto-start-reverse"><path d="M0 0 L8 4 L0 8z" fill="{look.INK}"/></marker></defs>'
    )
    start = ' marker-start="url(#a)"' if both else ""
    return (
        f'{head}<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" stroke="{look.INK}" stroke-width="2"'
        f' marker-end="url(#a)"{start}/>'
    )


def distance_drawing() -> str:
    """Seen from above: lane, camera square to it, 8 to 12 m away."""
    lane = (
        f'<rect x="20" y="26" width="280" height="34" fill="#fff" stroke="{look.QUIET}" stroke-width="1.5"/>'
        + _arrow(60, 43, 250, 43)
    )
    square = f'<path d="M160 78 h14 v-18" fill="none" stroke="{look.QUIET}" stroke-width="1.5"/>'
    sight = f'<line x1="160" y1="150" x2="160" y2="64" stroke="{look.NEAR}" stroke-width="2" stroke-dasharray="6 4"/>'
    view = f'<path d="M160 150 L70 60 M160 150 L250 60" stroke="{look.NEAR}" stroke-width="1" opacity=".7"/>'
    phone = f'<rect x="148" y="150" width="24" height="12" rx="3" fill="{look.NEAR}"/>'
    return _frame(
        lane
        + square
        + sight
        + view
        + phone
        + _text(226, 122, "8 to 12 m", "start")
        + _text(160, 182, "seen from above")
    )


def height_drawing() -> str:
    """Camera at hip height, level."""
    ground = f'<line x1="12" y1="150" x2="308" y2="150" stroke="{look.QUIET}" stroke-width="2"/>'
    level = f'<line x1="66" y1="97" x2="230" y2="97" stroke="{look.NEAR}" stroke-width="2" stroke-dasharray="6 4"/>'
    return _frame(
        ground
        + level
        + _phone(54, 98)
        + _runner(244, 142, 1.8)
        + _text(150, 88, "hip height, level")
        + _text(160, 178, "on a tripod, a bag or a bin: not in the hand")
    )


def sides_drawing() -> str:
    """Two passes, one from each side."""
    line = f'<line x1="12" y1="{{y}}" x2="308" y2="{{y}}" stroke="{look.QUIET}" stroke-width="1.5"/>'
    return _frame(
        line.format(y=84)
        + line.format(y=160)
        + _runner(130, 80, 0.95, look.NEAR)
        + _arrow(170, 48, 262, 48)
        + _runner(190, 156, 0.95, look.FAR, mirrored=True)
        + _arrow(150, 124, 58, 124)
        + _text(60, 44, "1", size=22)
        + _text(264, 120, "2", size=22)
        + _text(160, 182, "there and back: a pass for each side")
    )


def size_drawing() -> str:
    """The runner fills at least half of the picture's height; slow motion on."""
    frame = f'<rect x="34" y="16" width="252" height="142" fill="#fff" stroke="{look.INK}" stroke-width="2.5" rx="3"/>'
    return _frame(
        frame
        + _runner(150, 142, 1.62)
        + _arrow(206, 30, 206, 150, both=True)
        + _text(212, 82, "half the", "start", 13)
        + _text(212, 99, "picture", "start", 13)
        + _text(212, 116, "or more", "start", 13)
        + _text(160, 180, "slow motion: 120 or 240 pictures a second")
    )


ADVICE: Final[tuple[tuple[str, str, str], ...]] = (
    (
        "Square to the lane",
        "Stand 8 to 12 m away and point straight across the lane, not along it.",
        "distance",
    ),
    (
        "Hip height, still",
        "Put the phone at hip height on something that stands still. Panning works, still is better.",
        "height",
    ),
    (
        "Fill the picture",
        "Whole body in view, at least half the picture high. Use slow motion (120 or 240).",
        "size",
    ),
    ("Both sides", "Film there and back. The side away from the camera is seen less well.", "sides"),
)
_DRAWINGS: Final = {
    "distance": (
        distance_drawing,
        "Seen from above: the camera points straight across the lane from 8 to 12 metres away.",
    ),
    "height": (height_drawing, "The phone stands on a tripod at the height of the runner's hips, level."),
    "size": (size_drawing, "The runner fills at least half of the picture's height."),
    "sides": (sides_drawing, "One pass to the right, one pass to the left, so that each side is near once."),
}


def advice_html() -> str:
    """The four drawings with their sentences."""
    parts = []
    for title, sentence, name in ADVICE:
        drawing, alt = _DRAWINGS[name]
        parts.append(
            f"<figure>{svg_img(drawing(), alt)}<figcaption><strong>{escape(title)}.</strong> {escape(sentence)}"
            "</figcaption></figure>"
        )
    return f'<div class="howto">{"".join(parts)}</div>'
