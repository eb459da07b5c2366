"""Where the pose weights come from, and an interpreter that runs them."""

from __future__ import annotations

import importlib.util
import os
import tempfile
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, LifoQueue
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from shared.errors import OptionError
from vision.weights_needed import only_outputs

_PACKAGE: Final = "mediapipe"
_DETECTOR: Final = "modules/pose_detection/pose_detection.tflite"
_LANDMARKS: Final = "modules/pose_landmark/pose_landmark_full.tflite"
_BUNDLE_DETECTOR: Final = "pose_detector.tflite"
_BUNDLE_LANDMARKS: Final = "pose_landmarks_detector.tflite"
_MAGIC: Final = b"TFL3"

DETECTOR_SHAPES: Final = ((1, 224, 224, 3), ((1, 2254, 12), (1, 2254, 1)))
LANDMARK_SHAPES: Final = ((1, 256, 256, 3), ((1, 195), (1, 1), (1, 64, 64, 39)))
"""Input shape, then the outputs that must be there (others may be)."""


@dataclass(frozen=True)
class Weights:
    """The two models of the pose engine.

    Attributes
    ----------
    name : str
        Written into results, so that two results can be compared.
    detector, landmarks : bytes
        Flat-buffer models: person detector and landmark model.
    """

    name: str
    detector: bytes
    landmarks: bytes


def pose_weights(path: str | os.PathLike[str] | None = None) -> Weights:
    """The pose weights: those installed with the program, or a heavier file of the user's.

    Parameters
    ----------
    path : path, optional
        A ``.task`` bundle (a zip with both models) or a plain landmark ``.tflite``; then the
        installed person detector is kept. None: the installed weights.

    Returns
    -------
    Weights

    Raises
    ------
    OptionError
        If the file is missing, unreadable or no pose model.
    """
    if path is None:
        return Weights("pose_landmark_full", _installed(_DETECTOR), _installed(_LANDMARKS))
    file = Path(path)
    data = _read(file)
    if data[4:8] == _MAGIC:
        return Weights(file.stem, _installed(_DETECTOR), data)
    if not zipfile.is_zipfile(file):
        raise _no_model(file, "this is neither a .task bundle nor a .tflite model")
    try:
        with zipfile.ZipFile(file) as bundle:
            detector, landmarks = bundle.read(_BUNDLE_DETECTOR), bundle.read(_BUNDLE_LANDMARKS)
    except KeyError as error:
        raise _no_model(file, "the bundle holds no pose detector and landmark model") from error
    except (zipfile.BadZipFile, OSError, RuntimeError, NotImplementedError) as error:
        raise _no_model(file, "the bundle can't be unpacked") from error
    return Weights(file.stem, detector, landmarks)


class Model:
    """One flat-buffer model on one interpreter (not shared between threads).

    Parameters
    ----------
    content : bytes
    shapes : (input shape, output shapes)
        What the model must look like.
    name : str
        For the error message.
    threads : int
        Threads of the interpreter.

    Raises
    ------
    OptionError
        If the bytes are no model or one of another shape.
    """

    def __init__(
        self,
        content: bytes,
        shapes: tuple[tuple[int, ...], tuple[tuple[int, ...], ...]],
        name: str,
        threads: int = 1,
    ) -> None:
        from ai_edge_litert.interpreter import Interpreter

        try:
            with _native_chatter_hidden():
                interpreter = Interpreter(model_content=only_outputs(content, shapes[1]), num_threads=threads)
                interpreter.allocate_tensors()
        except (ValueError, RuntimeError) as error:
            raise _no_model(name, "the model is damaged or of a kind that can't be run here") from error
        wanted_in, wanted_out = shapes
        inputs = interpreter.get_input_details()
        found = {tuple(int(n) for n in d["shape"]): int(d["index"]) for d in interpreter.get_output_details()}
        if (
            len(inputs) != 1
            or tuple(inputs[0]["shape"]) != wanted_in
            or not np.issubdtype(inputs[0]["dtype"], np.float32)
            or any(shape not in found for shape in wanted_out)
        ):
            raise _no_model(name, "the model has other inputs or outputs than a 33-point pose model")
        self._interpreter: Any = interpreter
        self._input = int(inputs[0]["index"])
        self._outputs = [found[shape] for shape in wanted_out]

    def __call__(self, tensor: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        """Outputs (batch axis removed) for one input without batch axis."""
        self._interpreter.set_tensor(self._input, tensor[None])
        self._interpreter.invoke()
        return [self._interpreter.get_tensor(index)[0] for index in self._outputs]


class SharedModel:
    """One model for any number of threads: each call has an interpreter to itself.

    Parameters
    ----------
    content, shapes, name, threads
        As for `Model`, and the same error.
    """

    def __init__(
        self,
        content: bytes,
        shapes: tuple[tuple[int, ...], tuple[tuple[int, ...], ...]],
        name: str,
        threads: int = 1,
    ) -> None:
        self._content, self._shapes, self._name, self._threads = content, shapes, name, threads
        self._idle: LifoQueue[Model] = LifoQueue()
        self._idle.put(self._another())

    def _another(self) -> Model:
        return Model(self._content, self._shapes, self._name, self._threads)

    def __call__(self, tensor: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        """Outputs (batch axis removed) for one input without batch axis."""
        try:
            model = self._idle.get_nowait()
        except Empty:
            model = self._another()
        try:
            return model(tensor)
        finally:
            self._idle.put(model)


def _installed(relative: str) -> bytes:
    spec = importlib.util.find_spec(_PACKAGE)
    if spec is None or not spec.submodule_search_locations:
        raise _no_model(relative, f"the package {_PACKAGE} that carries it is not installed")
    return _read(Path(spec.submodule_search_locations[0]) / relative)


def _read(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except FileNotFoundError as error:
        raise _no_model(file, "there is no such file") from error
    except OSError as error:
        raise _no_model(file, "the file can't be read") from error


def _no_model(file: Path | str, why: str) -> OptionError:
    return OptionError(
        f"pose weights {file}", why, "give a .task or landmark .tflite file, or leave the option out"
    )


_chatter_lock = threading.Lock()


@contextmanager
def _native_chatter_hidden() -> Iterator[None]:
    """Keep the native library's start-up lines off standard error, where ours must be alone."""
    with _chatter_lock, tempfile.TemporaryFile() as sink:
        try:
            kept = os.dup(2)
        except OSError:  # no standard error at all (a service, a windowed program)
            yield
            return
        try:
            os.dup2(sink.fileno(), 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
