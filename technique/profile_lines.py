"""YAML text to plain values that remember their line.

Only the plain part of YAML is taken: tables, lists, text, numbers, true/false. Aliases and
custom tags are refused, so that a profile file can neither swell when read nor run anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import yaml

Path = tuple[str | int, ...]

_PLAIN_TAGS = {f"tag:yaml.org,2002:{name}" for name in ("str", "int", "float", "bool", "null")}
_LONGEST_SHOWN = 40
_DEEPEST = 12
"""A profile needs four levels; reading time grows with the square of the depth."""

_OPENING = (
    yaml.FlowSequenceStartToken,
    yaml.FlowMappingStartToken,
    yaml.BlockSequenceStartToken,
    yaml.BlockMappingStartToken,
)
_CLOSING = (yaml.FlowSequenceEndToken, yaml.FlowMappingEndToken, yaml.BlockEndToken)


@dataclass(frozen=True)
class Fault:
    """One thing wrong in a file: line (from 1), reason, and what to write instead."""

    line: int
    why: str
    mend: str


@dataclass(frozen=True)
class LinedValue:
    """A plain value with the line on which each part of it is written.

    Attributes
    ----------
    value : dict, list, str, int, float, bool or None
    lines : mapping of path to int
        ``("targets", 2, "low")`` to the line (from 1) of that key or list entry.
    faults : tuple of Fault
        Keys written twice, tags, aliases, text that is not YAML.
    """

    value: object
    lines: Mapping[Path, int]
    faults: tuple[Fault, ...]

    def line(self, path: Path) -> int:
        """Line of `path`, or of the nearest thing around it."""
        for end in range(len(path), -1, -1):
            if path[:end] in self.lines:
                return self.lines[path[:end]]
        return 1


def shown(thing: object) -> str:
    """`thing` in quotes, on one line and short enough for a message."""
    text = thing if isinstance(thing, str) else str(thing)
    text = " ".join("".join(c if c.isprintable() else " " for c in text[:200]).split())
    return f"'{text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 1] + '…'}'"


def lined_value(text: str) -> LinedValue:
    """Read YAML text.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    LinedValue
        `value` is None when the text is empty or not YAML; the reason then stands in `faults`.
    """
    lines: dict[Path, int] = {}
    faults: list[Fault] = []
    try:
        refused = _refused(text)
        if refused is not None:
            return LinedValue(None, {}, (refused,))
        loader = yaml.SafeLoader(text)
        node = loader.get_single_node()
        value = None if node is None else _plain(loader, node, (), lines, faults)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = (error.problem or "it can't be read").replace("\n", " ")
        begun = error.context_mark
        if mark is not None and begun is not None and begun.line != mark.line:
            problem += f", begun on line {begun.line + 1}"
        return LinedValue(
            None,
            {},
            (
                Fault(
                    1 if mark is None else mark.line + 1,
                    f"it is not YAML ({problem})",
                    "check indentation, quotes and colons near there",
                ),
            ),
        )
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        return LinedValue(
            None,
            {},
            (Fault(line, "it holds a character that no text file should", "save it as plain UTF-8 text"),),
        )
    return LinedValue(value, lines, tuple(faults))


def _refused(text: str) -> Fault | None:
    """The first part of YAML that a profile may not use: an anchor, an alias, deep nesting."""
    depth = 0
    for token in yaml.scan(text, Loader=yaml.SafeLoader):
        line = token.start_mark.line + 1
        if isinstance(token, yaml.AliasToken | yaml.AnchorToken):
            return Fault(line, "YAML anchors (& and *) are not taken", "write the value out")
        depth += isinstance(token, _OPENING) - isinstance(token, _CLOSING)
        if depth > _DEEPEST:
            return Fault(line, "it is nested too deep", "use the layout of a shipped profile")
    return None


def _plain(
    loader: yaml.SafeLoader, node: yaml.Node, path: Path, lines: dict[Path, int], faults: list[Fault]
) -> object:
    line = node.start_mark.line + 1
    lines.setdefault(path, line)
    if isinstance(node, yaml.MappingNode):
        table: dict[str, object] = {}
        for key_node, value_node in node.value:
            key_line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode):
                faults.append(Fault(key_line, "a key must be a word", "write it as  word: value"))
                continue
            key = str(key_node.value)
            if key in table:
                first = lines[(*path, key)]
                faults.append(
                    Fault(
                        key_line,
                        f"key {shown(key)} is written twice (first on line {first})",
                        "keep one of them",
                    )
                )
                continue
            lines[(*path, key)] = key_line
            table[key] = _plain(loader, value_node, (*path, key), lines, faults)
        return table
    if isinstance(node, yaml.SequenceNode):
        return [_plain(loader, child, (*path, i), lines, faults) for i, child in enumerate(node.value)]
    if node.tag not in _PLAIN_TAGS:
        if node.tag.startswith("tag:yaml.org,2002:") and "python" not in node.tag:
            return str(node.value)  # a date or the like: kept as text, judged as text
        faults.append(Fault(line, f"the tag {shown(node.tag)} is not taken", "write plain text or a number"))
        return None
    try:
        return loader.construct_object(node)
    except (ValueError, OverflowError):
        faults.append(
            Fault(line, f"{shown(node.value)} can't be read as a number", "write an ordinary number")
        )
        return None
