"""Setting a report with the embedded typesetter."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any

from shared.files import whole_file
from ui import look
from ui.report import TEMPLATES, PdfError


def write_pdf(
    template: str,
    content: Mapping[str, Any],
    drawings: Mapping[str, str],
    pictures: Mapping[str, Path],
    out: Path,
) -> None:
    """Set `out` from a template.

    Parameters
    ----------
    template : str
        Name in the folder of templates.
    content : mapping
        What the template reads as ``content.json``.
    drawings : mapping of name to SVG text
    pictures : mapping of name to file
    out : Path

    Raises
    ------
    PdfError
        If the typesetter is missing on this platform or refuses.
    OutputError
        If the file can't be written.
    """
    try:
        import typst
    except ImportError as error:
        raise PdfError(
            out.name, "the typesetter is not installed here", "print the page (HTML) instead"
        ) from error
    with tempfile.TemporaryDirectory(prefix="laneside-pdf-") as name:
        room = Path(name)
        shutil.copy(TEMPLATES / template, room / template)
        for file, svg in drawings.items():
            whole = (
                svg
                if "xmlns=" in svg[:200]
                else svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
            )
            (room / file).write_text(whole, encoding="utf-8")
        for file, source in pictures.items():
            shutil.copy(source, room / file)
        (room / "content.json").write_text(json.dumps(content, default=_plain), encoding="utf-8")
        try:
            pdf = typst.compile(str(room / template), root=str(room), font_paths=[str(look.font_folder())])
        except (typst.TypstError, RuntimeError) as error:
            raise PdfError(
                out.name, f"the typesetter refused ({error})", "print the page (HTML) instead"
            ) from error
    with whole_file(out) as part:
        part.write_bytes(pdf)


def html_page(template: str, content: Mapping[str, Any]) -> str:
    """A self-contained page from a template; everything that is not marked safe is escaped."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["look"] = look
    return environment.get_template(template).render(**content)


def _plain(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    raise TypeError(type(value).__name__)
