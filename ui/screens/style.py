"""The page's own look, and small pieces that every screen uses."""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable
from functools import lru_cache
from html import escape
from typing import Final

import streamlit as st
from PIL import Image, ImageDraw

from ui import look

LEVEL_SIGN: Final[dict[str, str]] = {"good": "●", "limited": "◐", "bad": "▲"}
LEVEL_WORD: Final[dict[str, str]] = {"good": "good", "limited": "limited", "bad": "a problem"}
LEVEL_INK: Final[dict[str, str]] = {
    "good": look.VERDICT_INK["inside"],
    "limited": look.VERDICT_INK["borderline"],
    "bad": look.VERDICT_INK["outside"],
}

_CSS: Final = f"""
<style>
:root {{ --ink: {look.INK}; --quiet: {look.QUIET}; --rule: {look.LINE}; --wash: {look.WASH};
  --near: {look.NEAR}; --far: {look.FAR}; }}
.stMainBlockContainer {{ max-width: 66rem; padding: 4.2rem 1.25rem 5rem; }}
.stApp h1 {{ font-size: 1.9rem; line-height: 1.15; padding: .2rem 0 .4rem; letter-spacing: -.01em; }}
.stApp h2 {{ font-size: 1.3rem; padding: .9rem 0 .3rem; margin-top: 1.6rem; border-top: 3px solid var(--ink); }}
.stApp h3 {{ font-size: 1.05rem; padding: .9rem 0 .1rem; }}
.stApp [data-testid="stHeaderActionElements"] {{ display: none; }}
.ls p {{ margin: .35rem 0; }}
.ls {{ color: var(--ink); line-height: 1.5; overflow-wrap: anywhere; }}
.ls .quiet, .ls.quiet {{ color: var(--quiet); }}
.ls .small {{ font-size: .875rem; }}
.ls img {{ max-width: 100%; height: auto; border-radius: 4px; display: block; }}
.ls .lead {{ font-size: 1.12rem; max-width: 46rem; }}
.ls dl.facts {{ display: grid; grid-template-columns: max-content minmax(0, 1fr); gap: .15rem .9rem; margin: .4rem 0; padding: 0; }}
.ls dl.facts dt {{ color: var(--quiet); }} .ls dl, .ls dl dt, .ls dl dd {{ margin-left: 0 !important; padding-left: 0 !important; }}
.ls .word {{ font-weight: 600; white-space: nowrap; }}
.ls .note {{ border-left: 4px solid var(--quiet); background: var(--wash); padding: .4rem .8rem; margin: .5rem 0; }}
.ls .note.caution {{ border-color: var(--far); }}
.ls article.cue {{ display: grid; grid-template-columns: minmax(0, 15rem) minmax(0, 1fr); gap: 1rem 1.5rem;
  padding: 1rem 0; border-bottom: 1px solid var(--rule); align-items: start; }}
.ls article.cue.alone {{ grid-template-columns: minmax(0, 1fr); }}
.ls article.cue h3 {{ margin: 0 0 .3rem; font-size: 1.2rem; padding: 0; }}
.ls article.cue dt {{ font-weight: 600; margin-top: .45rem; }} .ls article.cue dd {{ margin: 0; }}
.ls table {{ border-collapse: collapse; width: 100%; font-size: .94rem; }}
.ls th {{ text-align: left; font-weight: 600; color: var(--quiet); font-size: .82rem; }}
.ls th, .ls td {{ padding: .4rem .6rem .4rem 0; border: 0; border-bottom: 1px solid var(--rule); vertical-align: top; }}
.ls table.measures td:nth-child(1) {{ width: 27%; }} .ls table.measures td:nth-child(2) {{ width: 14%; }}
.ls table.measures td:nth-child(3) {{ width: 16%; }} .ls table.measures td:nth-child(5) {{ width: 16%; }}
.ls td.num {{ white-space: nowrap; font-variant-numeric: tabular-nums; }}
.ls td .value {{ font-weight: 700; font-size: 1.05rem; }}
.ls .stills {{ display: grid; grid-template-columns: repeat(auto-fill, minmax(8.5rem, 1fr)); gap: .8rem; }}
.ls figure {{ margin: 0; }} .ls figcaption {{ font-size: .875rem; margin-top: .3rem; }}
.ls .jump a {{ color: var(--near); margin-right: 1rem; display: inline-block; padding: .35rem 0; }}
.ls .phone {{ display: none; }}
.ls a {{ color: var(--near); }}
.ls ul {{ margin: .3rem 0; padding-left: 1.2rem; }} .ls li {{ margin: .2rem 0; }}
.ls .howto {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 13.5rem), 1fr)); gap: 1.2rem 1.4rem; }}
.ls .howto img {{ width: 100%; }}
.ls ol.steps {{ margin: .6rem 0 .2rem; padding-left: 1.3rem; max-width: 46rem; }}
.ls .meaning {{ display: grid; grid-template-columns: minmax(0, 18rem) minmax(0, 1fr); gap: 1rem 1.6rem; }}
.ls h4 {{ font-size: .95rem; margin: .8rem 0 .1rem; padding: 0; }}
.ls .strip {{ width: 220px; height: 26px; border-radius: 0; }}
.stApp [data-testid="stAlertContentError"], .stApp [data-testid="stAlertContentInfo"],
.stApp [data-testid="stAlertContentWarning"] {{ color: var(--ink); }}
.stApp [data-testid="stFileUploaderDropzone"] span, .stApp [data-testid="stFileUploaderDropzone"] small,
.stApp [data-testid="stFileUploaderDropzoneInstructions"] * {{ color: var(--quiet); opacity: 1; }}
.stApp [data-testid="stFileUploaderDropzone"] button * {{ color: var(--ink); }}
.stApp [data-testid="stCaptionContainer"] *, .stApp [data-testid="stCaptionContainer"] {{ color: var(--quiet); opacity: 1; }}
.stApp [data-testid="stMultiSelect"] [data-baseweb="select"] > div > div > div:not(:has(*)) {{ color: var(--quiet); }}
.ls details summary {{ cursor: pointer; font-weight: 600; }}
@media (max-width: 40rem) {{
  .stApp [data-testid="stExpandSidebarButton"] {{ width: auto; }}
  .stApp [data-testid="stExpandSidebarButton"]::after {{ content: "All pages"; font-size: .95rem; margin-left: .3rem; }}
  .stMainBlockContainer {{ padding: 4rem .9rem 4rem; }}
  .stApp h1 {{ font-size: 1.55rem; }}
  .ls article.cue {{ grid-template-columns: 1fr; gap: .3rem; }} .ls article.cue img {{ max-width: 17rem; }}
  .ls article.cue > div {{ display: contents; }} .ls article.cue h3 {{ order: -1; }}
  .ls table.measures thead, .ls table.stack thead {{ position: absolute; left: -999rem; }}
  .ls table.measures tr, .ls table.stack tr {{ display: block; padding: .6rem 0; border-bottom: 1px solid var(--rule); }}
  .ls table.measures td:nth-child(n) {{ width: auto; }}
  .ls table.measures td, .ls table.stack td {{ display: block; border: 0; padding: .08rem 0; white-space: normal; }}
  .ls table.stack td:first-child {{ font-weight: 600; }}
  .ls table.measures td:nth-child(2) br, .ls table.measures td:nth-child(3) br {{ display: none; }}
  .ls table.measures td.num .small::before {{ content: "("; }} .ls table.measures td.num .small::after {{ content: ")"; }}
  .ls .phone {{ display: inline; }}
  .ls .meaning {{ grid-template-columns: 1fr; }}
  .ls dl.facts {{ grid-template-columns: 1fr; gap: 0; }} .ls dl.facts dd {{ margin-bottom: .4rem; }}
}}
</style>
"""


@lru_cache(maxsize=1)
def icon() -> Image.Image:
    """The page's icon, drawn here so that none is fetched from anywhere."""
    picture = Image.new("RGB", (64, 64), look.PAPER)
    pen = ImageDraw.Draw(picture)
    pen.rectangle([0, 54, 64, 60], fill=look.INK)
    pen.line([32, 14, 26, 32], fill=look.INK, width=7)
    pen.line([26, 32, 44, 36, 40, 52], fill=look.NEAR, width=7)
    pen.line([26, 32, 16, 44, 4, 42], fill=look.FAR, width=7)
    pen.ellipse([28, 2, 42, 16], fill=look.INK)
    return picture


def apply_style() -> None:
    """Put the style sheet into the page."""
    st.html(_CSS)


_NAME_UPLOADS: Final = """<script>
if (!window.lanesideNames) {
  window.lanesideNames = new MutationObserver(() => {
    for (const field of document.querySelectorAll('[data-testid=stFileUploaderDropzoneInput]:not([aria-label])')) {
      const label = field.closest('[data-testid=stFileUploader]')?.querySelector('label')?.innerText;
      if (label) field.setAttribute('aria-label', label);
    }
  });
  window.lanesideNames.observe(document.body, { childList: true, subtree: true });
}
</script>"""


def name_uploads() -> None:
    """Give upload fields the name that the page's framework writes beside them only for the eye."""
    st.html(_NAME_UPLOADS, unsafe_allow_javascript=True)


def words(html: str, kind: str = "") -> None:
    """Show a piece of HTML of our own; everything in it must be escaped already."""
    st.html(f'<div class="ls {kind}">{html}</div>')


def jpeg_img(data: bytes, alt: str) -> str:
    """An <img> with the picture inside it and its words beside it."""
    encoded = base64.b64encode(data).decode("ascii")
    return f'<img src="data:image/jpeg;base64,{encoded}" alt="{escape(alt, quote=True)}">'


def svg_img(svg: str, alt: str, kind: str = "") -> str:
    """A drawing as an <img>, so that its words reach a screen reader as one text."""
    if "xmlns=" not in svg[:200]:
        svg = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    encoded = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    return f'<img class="{kind}" src="data:image/svg+xml;base64,{encoded}" alt="{escape(alt, quote=True)}">'


def findings_list(findings: Iterable[tuple[str, str]]) -> str:
    """Findings as a list, the level as sign and word."""
    rows = "".join(
        f'<tr><td><span class="word" style="color:{LEVEL_INK.get(level, look.INK)}">'
        f"{LEVEL_SIGN.get(level, '○')} {LEVEL_WORD.get(level, level)}</span></td><td>{escape(text)}</td></tr>"
        for level, text in findings
    )
    return f"<table><tbody>{rows}</tbody></table>"


def problem(sentence: str) -> None:
    """One clear sentence about what went wrong."""
    st.error(literal(sentence), icon=":material/error:")


def literal(text: str) -> str:
    """Text for Streamlit's Markdown that must be shown as it is (file names, for instance)."""
    return re.sub(r"([\\`*_{}\[\]()#+!|<>~$:])", r"\\\1", text)
