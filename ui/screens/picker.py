"""A picture to click on: gives the place in the clip's own pixels.

The same can always be said with the keyboard in fields beside the picture.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, Final

import streamlit as st

_CSS: Final = """
figure { margin: 0; } .room { position: relative; touch-action: manipulation; }
img { width: 100%; height: auto; display: block; border-radius: 4px; }
svg { position: absolute; inset: 0; width: 100%; height: 100%; cursor: crosshair; }
"""
_HTML: Final = '<figure><div class="room"><img alt=""><svg aria-hidden="true"></svg></div></figure>'
_JS: Final = """
export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const img = parentElement.querySelector('img');
  const svg = parentElement.querySelector('svg');
  const source = 'data:image/jpeg;base64,' + data.jpeg;
  if (img.src !== source) img.src = source;
  img.alt = data.alt;
  svg.setAttribute('viewBox', `0 0 ${data.width} ${data.height}`);
  svg.setAttribute('preserveAspectRatio', 'none');
  const size = data.width / 55;
  const make = (name, values, text) => {
    const node = document.createElementNS('http://www.w3.org/2000/svg', name);
    for (const [key, value] of Object.entries(values)) node.setAttribute(key, value);
    if (text !== undefined) node.textContent = text;
    svg.appendChild(node);
  };
  svg.replaceChildren();
  for (const m of data.rings) {
    make('circle', { cx: m.x, cy: m.y, r: m.radius, fill: m.chosen ? 'rgba(56,214,240,.18)' : 'none',
      stroke: '#000', 'stroke-width': size / 3, 'stroke-opacity': .6 });
    make('circle', { cx: m.x, cy: m.y, r: m.radius, fill: 'none', stroke: m.chosen ? '#38D6F0' : '#fff',
      'stroke-width': m.chosen ? size / 4 : size / 7, 'stroke-dasharray': m.chosen ? 'none' : `${size} ${size / 2}` });
    make('rect', { x: m.x - size, y: m.y - m.radius - size * 2.3, width: size * 2, height: size * 2.2, rx: size / 4,
      fill: '#0D141A' });
    make('text', { x: m.x, y: m.y - m.radius - size * .6, 'font-size': size * 1.8, 'text-anchor': 'middle',
      fill: '#fff', 'font-weight': 700, 'font-family': 'sans-serif' }, m.name);
  }
  if (data.line.length === 2) {
    const [a, b] = data.line;
    for (const [colour, w] of [['#000', size / 2.2], ['#FFB25C', size / 4]])
      make('line', { x1: a[0], y1: a[1], x2: b[0], y2: b[1], stroke: colour, 'stroke-width': w });
  }
  for (const p of data.line) {
    make('path', { d: `M${p[0] - size} ${p[1]}h${2 * size}M${p[0]} ${p[1] - size}v${2 * size}`, stroke: '#000',
      'stroke-width': size / 2.2 });
    make('path', { d: `M${p[0] - size} ${p[1]}h${2 * size}M${p[0]} ${p[1] - size}v${2 * size}`, stroke: '#FFB25C',
      'stroke-width': size / 4 });
  }
  svg.onclick = (event) => {
    const box = svg.getBoundingClientRect();
    setTriggerValue('place', {
      x: (event.clientX - box.left) / box.width * data.width,
      y: (event.clientY - box.top) / box.height * data.height,
    });
  };
}
"""


@lru_cache(maxsize=1)
def component() -> Any:
    """The component, made known to the server once."""
    return st.components.v2.component("laneside_picker", html=_HTML, css=_CSS, js=_JS)


def picture_to_click(
    jpeg: bytes,
    alt: str,
    width: int,
    height: int,
    key: str,
    rings: Sequence[dict[str, Any]] = (),
    line: Sequence[tuple[float, float]] = (),
) -> tuple[float, float] | None:
    """Show a picture; the place clicked just now in upright px of the clip, else None.

    Parameters
    ----------
    jpeg : bytes
    alt : str
        The picture in words.
    width, height : int
        Upright size of the clip, px; the picture may be smaller.
    key : str
    rings : sequence of dict
        People: ``x, y, radius, name, chosen``.
    line : sequence of (x, y)
        Up to two marks, joined when there are two.
    """
    ignore: Callable[[], None] = lambda: None  # noqa: E731 - the component needs a handler to be declared
    result = component()(
        key=key,
        data={
            "jpeg": base64.b64encode(jpeg).decode("ascii"),
            "alt": alt,
            "width": width,
            "height": height,
            "rings": list(rings),
            "line": [list(p) for p in line],
        },
        on_place_change=ignore,
    )
    place: Any = getattr(result, "place", None)
    if place is None:
        return None
    return (float(place["x"]), float(place["y"]))
