"""Write docs/licences.md: the licence of every package that the program installs.

Run::

    python docs/make_licences.py

Read from the packages' own metadata as installed here; nothing is looked up elsewhere.
"""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[1]
TARGET: Final = ROOT / "docs" / "licences.md"
HEAD: Final = """# Licences of what is installed

Written by `python docs/make_licences.py` from the packages' own metadata; don't edit by hand.
What a wheel bundles is not always in there: PyAV's wheel carries FFmpeg (LGPL) with libx264 and libx265
(GPL), OpenCV's wheel carries FFmpeg (LGPL), mediapipe's wheel carries the pose weights (Apache 2.0).
**spm1d is under the GPL (version 3) and is imported by the program**: the program's own code is MIT, but a
bundle that holds both is under the GPL's terms. Whoever redistributes a bundle should have it checked.

| package | version | licence by its own word | needed by |
|---|---|---|---|
"""


def plain(name: str) -> str:
    """A package's name as registries compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def wanted(of: Distribution) -> list[str]:
    """Names that a package asks for, without extras."""
    found = []
    for line in of.requires or []:
        requirement, _, marker = line.partition(";")
        if "extra" not in marker:
            name = re.match(r"[A-Za-z0-9._-]+", requirement.strip())
            found += [plain(name[0])] if name else []
    return found


def direct() -> dict[str, str]:
    """Packages that pyproject.toml names for running the program or an extra of it, and which of the two."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [(line, "the program") for line in project["dependencies"]]
    for extra, lines in project.get("optional-dependencies", {}).items():
        asked += [(line, f"the extra '{extra}'") for line in lines]
    return {plain(re.match(r"[A-Za-z0-9._-]+", line)[0]): by for line, by in asked}  # type: ignore[index]


def installed() -> dict[str, tuple[Distribution, set[str]]]:
    """Everything that running the program brings, and what asked for it; what is not here is left out."""
    found: dict[str, tuple[Distribution, set[str]]] = {}
    waiting = list(direct().items())
    while waiting:
        name, by = waiting.pop()
        if name in found:
            found[name][1].add(by)
            continue
        try:
            here = distribution(name)
        except PackageNotFoundError:
            continue
        found[name] = (here, {by})
        waiting += [(inner, name) for inner in wanted(here)]
    return dict(sorted(found.items()))


def licence(of: Distribution) -> str:
    """The licence in a few words: its SPDX expression, its classifier, or the first words of its text."""
    data = of.metadata
    if said := data.get("License-Expression"):
        return str(said)
    marks = [c.split(" :: ")[-1] for c in data.get_all("Classifier") or [] if c.startswith("License ::")]
    marks = [m for m in marks if m != "OSI Approved"]
    if marks:
        return ", ".join(marks)
    first = next((line.strip() for line in (data.get("License") or "").splitlines() if line.strip()), "")
    if first:
        return first[:60]
    for file in of.files or []:
        if re.search(r"licen[cs]e|copying", file.name, re.IGNORECASE):
            lines = Path(str(file.locate())).read_text(encoding="utf-8", errors="replace").splitlines()
            first = next((line.strip() for line in lines if line.strip()), "")
            return f"{first[:60]} (its licence file)"
    return "not said"


def table() -> str:
    """The whole page."""
    rows = []
    for name, (here, by) in installed().items():
        asked = "the program" if "the program" in by else ", ".join(sorted(by)[:3])
        rows.append(f"| {name} | {here.version} | {licence(here).replace('|', '/')} | {asked} |")
    return HEAD + "\n".join(rows) + "\n"


if __name__ == "__main__":
    TARGET.write_text(table(), encoding="utf-8")
    print(f"{TARGET.name}: {len(installed())} packages")
