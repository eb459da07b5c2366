"""A flat-buffer model without the parts whose outputs nobody reads.

The landmark model also makes a body mask and landmarks in metres. An interpreter computes every
output of a model, so leaving these out of the model saves their time; the numbers of the other
outputs stay the same bit for bit, since their operators are untouched.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["only_outputs"]

# Places of fields in the tables of the flat-buffer schema (TensorFlow Lite schema, version 3).
_MODEL_SUBGRAPHS = 2
_MODEL_SIGNATURES = 7
_GRAPH_TENSORS, _GRAPH_OUTPUTS, _GRAPH_OPERATORS = 0, 2, 3
_TENSOR_SHAPE = 0
_OPERATOR_INPUTS, _OPERATOR_OUTPUTS = 1, 2


@dataclass(frozen=True)
class _Vector:
    """Where a vector's first element lies, and its length."""

    start: int
    length: int


def only_outputs(content: bytes, shapes: Iterable[tuple[int, ...]]) -> bytes:
    """The model with the outputs of the given shapes, and only the operators that these need.

    Parameters
    ----------
    content : bytes
        A flat-buffer model.
    shapes : iterable of tuple of int
        Shapes of the outputs to keep.

    Returns
    -------
    bytes
        `content` itself where it can't be read, has not all of these outputs, more than one graph
        or named signatures, or needs all of its operators.
    """
    try:
        return _pruned(content, set(shapes))
    except (struct.error, IndexError, ValueError):
        return content  # damaged or of another kind: the interpreter says so better


def _pruned(content: bytes, shapes: set[tuple[int, ...]]) -> bytes:
    model = _u32(content, 0)
    graphs = _vector(content, model, _MODEL_SUBGRAPHS)
    if graphs.length != 1 or _vector(content, model, _MODEL_SIGNATURES).length:
        return content
    graph = _target(content, graphs.start)
    tensors = _vector(content, graph, _GRAPH_TENSORS)
    outputs = _vector(content, graph, _GRAPH_OUTPUTS)
    operators = _vector(content, graph, _GRAPH_OPERATORS)

    def shape(tensor: int) -> tuple[int, ...]:
        return _numbers(
            content, _vector(content, _target(content, tensors.start + 4 * tensor), _TENSOR_SHAPE)
        )

    kept = [t for t in _numbers(content, outputs) if shape(t) in shapes]
    if {shape(t) for t in kept} != shapes:
        return content
    needed = set(kept)
    used: list[int] = []
    for place in reversed(range(operators.length)):
        operator = _target(content, operators.start + 4 * place)
        if needed.intersection(_numbers(content, _vector(content, operator, _OPERATOR_OUTPUTS))):
            needed.update(_numbers(content, _vector(content, operator, _OPERATOR_INPUTS)))
            used.append(operator)
    if len(used) == operators.length:
        return content
    out = bytearray(content)
    struct.pack_into(f"<I{len(kept)}i", out, outputs.start - 4, len(kept), *kept)
    struct.pack_into("<I", out, operators.start - 4, len(used))
    for place, operator in enumerate(reversed(used)):
        at = operators.start + 4 * place
        struct.pack_into("<I", out, at, operator - at)  # offsets count from where they stand
    return bytes(out)


def _u32(content: bytes, at: int) -> int:
    return int(struct.unpack_from("<I", content, at)[0])


def _target(content: bytes, at: int) -> int:
    return at + _u32(content, at)


def _vector(content: bytes, table: int, field: int) -> _Vector:
    """The vector in a table's field; an absent one is empty."""
    rows = table - struct.unpack_from("<i", content, table)[0]
    size = struct.unpack_from("<H", content, rows)[0]
    slot = 4 + 2 * field
    offset = struct.unpack_from("<H", content, rows + slot)[0] if slot < size else 0
    if not offset:
        return _Vector(0, 0)
    at = _target(content, table + offset)
    return _Vector(at + 4, _u32(content, at))


def _numbers(content: bytes, vector: _Vector) -> tuple[int, ...]:
    return struct.unpack_from(f"<{vector.length}i", content, vector.start) if vector.length else ()
