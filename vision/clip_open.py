"""Opening a local video file, and nothing else, with one clear sentence when that fails."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import av
import av.error

from shared.errors import ClipError, DamagedClip

# Demuxers that read one local file of moving pictures. Play lists, image sequences and
# joined-file scripts are left out: they name further files or addresses to be opened.
CONTAINERS = ("mov", "mp4", "matroska", "webm", "avi", "mpegts")
KINDS = "MP4, MOV, MKV, WebM, AVI or TS"
EXPORT = "export it as an ordinary MP4 (H.264) and try again"
COPY_AGAIN = "copy the original file from the phone or camera again, or export it anew"
MAX_SIDE_PX = 8192
MAX_PIXELS = 36_000_000

_HEAD_BYTES = 4096
_PLAY_LISTS = (b"#EXTM3U", b"ffconcat", b"[playlist]", b"<MPD", b"<?xml", b"<smil")
_PICTURES = (b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"BM", b"II*\x00", b"MM\x00*")
_PICTURE_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1", b"avif")
_MOV_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"moof", b"styp")


def _head_of_regular_file(path: Path, name: str) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise ClipError(name, "this is a folder, not a video file", "name one video file in it")
        if not stat.S_ISREG(status.st_mode):
            raise ClipError(name, "this is not an ordinary file", "copy the video to a file on this computer")
        if status.st_size == 0:
            raise ClipError(name, "the file is empty", COPY_AGAIN)
        with path.open("rb") as file:
            return file.read(_HEAD_BYTES)
    except (FileNotFoundError, NotADirectoryError) as error:
        if "://" in name:
            raise ClipError(
                name,
                "this is an address, and only files on this computer are opened",
                "save the video here first",
            ) from error
        raise ClipError(name, "there is no such file", "check the name and the folder") from error
    except PermissionError as error:
        raise ClipError(
            name, "the file can't be read (no permission)", "allow reading it or copy it elsewhere"
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name can't be used"
        raise ClipError(
            name, f"the file can't be read ({reason})", "copy it elsewhere and try again"
        ) from error


def _refuse_other_kinds(head: bytes, name: str) -> None:
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(_PLAY_LISTS):
        raise ClipError(
            name, "this is a play list that points to other files, not a video", "give the video itself"
        )
    brand = head[8:12] if head[4:8] == b"ftyp" else b""
    webp = head[:4] == b"RIFF" and head[8:12] == b"WEBP"
    if head.startswith(_PICTURES) or brand in _PICTURE_BRANDS or webp:
        raise ClipError(name, "this is a single picture, not a video", "give a video of the run")
    if not head.strip(b"\x00"):
        raise DamagedClip(name, "the file holds only zeros, no frame is readable", COPY_AGAIN)
    try:
        head[: len(head) - 3].decode("utf-8")
    except UnicodeDecodeError:
        return
    if b"\x00" not in head:
        raise ClipError(name, "this is a text file, not a video", f"give a video file ({KINDS})")


def _looks_like_video(head: bytes) -> bool:
    return (
        head[4:8] in _MOV_BOXES
        or head[:4] == b"\x1a\x45\xdf\xa3"
        or (head[:4] == b"RIFF" and head[8:12] == b"AVI ")
        or (head[:1] == b"G" and head[188:189] in (b"G", b""))
    )


def _picture_stream(container: Any, name: str) -> Any:
    attached = av.stream.Disposition.attached_pic
    streams = [s for s in container.streams.video if not s.disposition & attached]
    if not streams:
        if container.streams.audio:
            raise ClipError(name, "there is only sound in this file, no picture", "give a video of the run")
        raise DamagedClip(name, "there is no readable picture in this file, it may be cut off", COPY_AGAIN)
    stream = streams[0]
    if stream.codec_context is None:
        raise ClipError(name, "its picture coding can't be read by this program", EXPORT)
    width, height = int(stream.width), int(stream.height)
    if width <= 0 or height <= 0:
        raise DamagedClip(
            name, "the file doesn't say how large its picture is, no frame is readable", COPY_AGAIN
        )
    if max(width, height) > MAX_SIDE_PX or width * height > MAX_PIXELS:
        raise ClipError(
            name,
            f"its picture is too large ({width} x {height} px; the limit is {MAX_SIDE_PX} px a side "
            f"and {MAX_PIXELS // 1_000_000} million px)",
            "export it at 4K or smaller",
        )
    return stream


@contextmanager
def opened_clip(path: str | os.PathLike[str]) -> Iterator[tuple[Any, Any]]:
    """Open a local video file for reading.

    Parameters
    ----------
    path : str or path
        A regular file. It is opened here and handed on as an open file, so that no address,
        play list or reference to another file is ever followed.

    Yields
    ------
    container, stream
        The open container and its picture stream.

    Raises
    ------
    ClipError
        The file is missing, unreadable, empty, not a video or beyond the size limit.
    DamagedClip
        It is a video file that can't be opened.
    """
    name = os.fspath(path)
    head = _head_of_regular_file(Path(path), name)
    _refuse_other_kinds(head, name)
    with Path(path).open("rb") as file:
        try:
            container = av.open(
                file,
                options={"format_whitelist": ",".join(CONTAINERS), "protocol_whitelist": "none"},
                metadata_errors="replace",
                buffer_size=1 << 18,
            )
        except av.error.FFmpegError as error:
            if _looks_like_video(head):
                raise DamagedClip(
                    name,
                    "the video is incomplete or damaged (its index can't be read), no frame is readable",
                    COPY_AGAIN,
                ) from error
            raise ClipError(
                name, "this is not a video that can be read here", f"give a video file ({KINDS})"
            ) from error
        with container:
            if not set(container.format.name.split(",")) & set(CONTAINERS):
                raise ClipError(name, "this kind of file is not read here", EXPORT)
            yield container, _picture_stream(container, name)
