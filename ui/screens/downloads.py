"""Everything of a result as files: one by one and as a zip.

A download must not make the page run again (``on_click="ignore"``, here and on every screen): the page's
framework would give the button a new file and forget the one that was just asked for, perhaps before it
has been sent.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Final

import streamlit as st

from ui.screens import store

FILES: Final[tuple[tuple[str, str, str], ...]] = (
    ("report.pdf", "Report to print (PDF)", "application/pdf"),
    ("report.html", "Report as a page (HTML)", "text/html"),
    ("annotated.mp4", "Annotated video (MP4)", "video/mp4"),
    ("analysis.json", "Everything measured (JSON)", "application/json"),
    ("measures.csv", "Measures (CSV)", "text/csv"),
    ("steps.csv", "Step by step (CSV)", "text/csv"),
    ("angles.csv", "Angles per frame (CSV)", "text/csv"),
    ("curves.svg", "Curves (SVG)", "image/svg+xml"),
)


def zipped(folder: Path) -> bytes:
    """All finished files of a result folder as one zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as box:
        for path in sorted(folder.rglob("*")):
            inside = path.relative_to(folder)
            if path.is_file() and not any(part.startswith(".") for part in inside.parts):
                box.write(path, inside.as_posix())
    return out.getvalue()


def downloads(job: store.Job, folder: Path) -> None:
    """A button for each file; a file is read only when it is asked for."""
    stem = Path(job.name).stem
    st.download_button(
        "All of it (ZIP)",
        data=lambda: zipped(folder),
        file_name=f"{stem}-laneside.zip",
        mime="application/zip",
        type="primary",
        on_click="ignore",
        key=f"zip_{job.key}",
    )
    with st.container(horizontal=True, gap="small"):
        for name, label, mime in FILES:
            path = folder / name
            if path.is_file():
                st.download_button(
                    label,
                    data=path.read_bytes if path.stat().st_size > 1 << 16 else path.read_bytes(),
                    file_name=f"{stem}-{name}",
                    mime=mime,
                    on_click="ignore",
                    key=f"{name}_{job.key}",
                )
