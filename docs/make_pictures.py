"""Draws the pictures of the documentation that come from the program itself.

python docs/make_pictures.py
"""

from __future__ import annotations

from pathlib import Path

from ui.screens.filming import distance_drawing, height_drawing, sides_drawing, size_drawing

FOLDER = Path(__file__).parent / "pictures"
GAP = 12


def filming_sheet() -> str:
    """The four drawings of the page, two by two, as one SVG."""
    places = ((0, 0), (320 + GAP, 0), (0, 190 + GAP), (320 + GAP, 190 + GAP))
    drawings = (distance_drawing(), height_drawing(), size_drawing(), sides_drawing())
    parts = []
    for number, ((x, y), drawing) in enumerate(zip(places, drawings, strict=True)):
        # Each drawing names its arrow head the same; inside one file names must differ.
        named = drawing.replace('id="a"', f'id="a{number}"').replace("url(#a)", f"url(#a{number})")
        parts.append(named.replace("<svg ", f'<svg x="{x}" y="{y}" ', 1))
    width, height = 640 + GAP, 380 + GAP
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}">{"".join(parts)}</svg>\n'
    )


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / "how-to-film.svg").write_text(filming_sheet(), encoding="utf-8")
