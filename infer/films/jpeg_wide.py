"""Decodes JPEG streams (ITU-T T.81) that the strict decoder of 8 bits does not take: 12 bits, and lossless ones of any.

The decoder is libjpeg-turbo as ``imagecodecs`` brings it. Its warnings do not come through, so what they would say is
found out otherwise: data that run out before the last pixel, and data left over behind it.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.jpeg import DAMAGED, LOSSLESS, JpegFrame, left_over

_SEQUENTIAL = 0xC1
_RESTART = re.compile(rb"\xff[\xd0-\xd7]")
# A decoder that has run out of data goes on with zeros. These begin with ones, and hold no marker.
_MORE = bytes.fromhex("fea53c5ac3965aa5") * 2


def decode_wide(content: bytes, frame: JpegFrame) -> npt.NDArray[Any]:
    """Pixels of a lossless stream or one of 12 bits, shape (rows, columns) or (rows, columns, samples).

    Samples are given as the stream has them: no colours are converted.

    Parameters
    ----------
    content : bytes
        The stream.
    frame : JpegFrame
        Its headers, of the size that is expected.

    Raises
    ------
    FilmRejected
        If the stream is damaged, as far as decoding tells, or of another process.
    ImportError
        If the decoder is missing.
    """
    lossless = frame.process == LOSSLESS
    if frame.components not in (1, 3) or not (lossless or (frame.process == _SEQUENTIAL and frame.precision == 12)):
        said = f"a JPEG of {frame.components} components and {frame.precision} bits of a process that is not read"
        raise FilmRejected(said)
    pixels = _decoded(content)
    if (
        pixels is None
        or pixels.shape[:2] != (frame.rows, frame.columns)
        or pixels.dtype.kind != "u"
        or int(pixels.max()) >> frame.precision
        or _ran_out(content, frame, pixels)
        or left_over(content, frame, _decoded, pixels)
    ):
        raise FilmRejected(DAMAGED)
    return pixels


def _decoded(content: bytes) -> npt.NDArray[Any] | None:
    from imagecodecs import JPEG8, jpeg8_decode

    try:
        as_stored = JPEG8.CS.UNKNOWN
        return np.asarray(jpeg8_decode(content, colorspace=as_stored, outcolorspace=as_stored))
    except MemoryError:
        raise
    except Exception:
        return None


def _ran_out(content: bytes, frame: JpegFrame, pixels: npt.NDArray[Any]) -> bool:
    """Whether more data behind a scan, or before a restart in it, change the picture: then too few were there."""
    padded, last = b"", 0
    for start, end in frame.scans:
        padded += content[last:start] + _RESTART.sub(lambda found: _MORE + found[0], content[start:end]) + _MORE
        last = end
    other = _decoded(padded + content[last:])
    return other is None or not np.array_equal(other, pixels)
