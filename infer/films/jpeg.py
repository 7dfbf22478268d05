"""Decodes JPEG (ITU-T T.81) strictly: what decoders commonly pass over with a warning is a refusal here.

A changed byte seldom ends a JPEG decoder. It goes on with blocks displaced or grey values shifted, warns, and returns a
picture; libraries drop the warning. Here every warning counts, and so do data left over behind the last block, of which
the decoder does not speak where they are short.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import simplejpeg

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.settings import FilmLimits

Pixels = npt.NDArray[np.uint8]
Steps = npt.NDArray[np.float64]
Decode = Callable[[bytes], npt.NDArray[Any] | None]
"""Pixels of a stream; None where it cannot be decoded."""

DAMAGED = "the JPEG data are truncated or damaged"

BLOCK = 8
"""Side of a block that is coded as a whole, in pixels."""

_DHT, _EOI, _SOS, _DQT = 0xC4, 0xD9, 0xDA, 0xDB
_FRAMES = frozenset({*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC})  # SOFn; DHT, JPG and DAC lie between
_HUFFMAN_SEQUENTIAL, _PROGRESSIVE, LOSSLESS = (0xC0, 0xC1), 0xC2, 0xC3
_STANDALONE = frozenset({0x01, *range(0xD0, 0xD9)})  # TEM, RSTn, SOI: no length follows (T.81, table B.1)
# Ends entropy-coded data: a marker that is no stuffed zero, no restart and no fill byte (T.81, B.1.1.5).
_AFTER_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL)
_COLOUR = {1: "GRAY", 3: "RGB", 4: "CMYK"}
_TAIL_BITS = 2
# In lossless data a turned bit may end in a code that the table does not have, which some decoders take for no change.
_TAIL_BITS_LOSSLESS = 8
# Places in a table of 8 x 8 steps in the order of the stream (T.81, figure A.6): diagonals, to and fro.
_ZIGZAG = sorted(range(64), key=lambda at: (sum(divmod(at, 8)), divmod(at, 8)[sum(divmod(at, 8)) % 2 == 0]))
# A step this many times the median of those around it, and this much more, is an outlier. In the tables of the
# Independent JPEG Group at all qualities, in Pillow's presets and in 332 public radiographs the largest is 2 times.
_OUTLIER_TIMES, _OUTLIER_MORE = 4.0, 16.0


@dataclass(frozen=True)
class JpegFrame:
    """What the headers of a JPEG stream say.

    Attributes
    ----------
    process : int
        Marker of the frame (T.81, table B.1).
    precision, rows, columns, components : int
    unit_rows : int
        Height in pixels of what is coded together: a block, or more where colour is stored more coarsely.
    level : float
        Grey levels by which the mean of a block can differ at least, from the quantisation table.
    odd_tables : bool
        Whether a table that precedes the picture is none that an encoder is known to write.
    scans : tuple of (int, int)
        Places of entropy-coded data: first byte, and the one behind the last.
    """

    process: int
    precision: int
    rows: int
    columns: int
    components: int
    unit_rows: int
    level: float
    odd_tables: bool
    scans: tuple[tuple[int, int], ...]


def read_frame(content: bytes, limits: FilmLimits) -> JpegFrame:
    """The headers of a JPEG stream up to its end marker; what follows that is nobody's concern. Sizes are not checked.

    Raises
    ------
    FilmRejected
        If they cannot be followed to the end marker, or announce more scans than the limits allow.
    """
    marked: tuple[int, bytes] | None = None
    scans: list[tuple[int, int]] = []
    steps: dict[int, Steps] = {}
    odd_codes = False
    for marker, start, end in _segments(content):
        if marker in _FRAMES and marked is None:
            marked = marker, content[start:end]
            if end - start < 9:
                raise FilmRejected(DAMAGED)
        elif marker == _DQT and not scans:
            steps |= _quantisation(content[start:end])
        elif marker == _DHT and not scans:
            odd_codes |= _has_code_twice(content[start:end])
        elif marker == _SOS:
            scans.append((start, end))
            if len(scans) > limits.max_jpeg_scans:
                raise FilmRejected(f"a JPEG of more than {limits.max_jpeg_scans} scans, which is not read")
    if marked is None or not scans:
        raise FilmRejected(DAMAGED)
    process, header = marked
    rows, columns, components = _two(header, 1), _two(header, 3), header[5]
    tallest = max(sampling & 15 for sampling in header[7::3]) if components > 1 else 1
    # The mean of a block is its first coefficient over eight (T.81, A.3.3).
    level = float(steps[header[8]][0, 0]) / BLOCK if header[8] in steps else 0.0
    odd = odd_codes or any(_has_outlier(table) for table in steps.values())
    return JpegFrame(process, header[0], rows, columns, components, BLOCK * max(1, tallest), level, odd, tuple(scans))


def _segments(content: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, first byte and end of each segment's payload up to the end marker; of SOS, of the data that follow it."""
    at = 2
    while True:
        if content[at : at + 1] != b"\xff":
            raise FilmRejected(DAMAGED)
        while content[at : at + 1] == b"\xff":
            at += 1
        marker = content[at] if at < len(content) else 0
        at += 1
        if marker == _EOI:
            return
        if marker == 0:
            raise FilmRejected(DAMAGED)
        if marker in _STANDALONE:
            continue
        length = _two(content, at)
        if length < 2 or at + length > len(content):
            raise FilmRejected(DAMAGED)
        if marker != _SOS:
            yield marker, at + 2, at + length
            at += length
            continue
        found = _AFTER_SCAN.search(content, at + length)
        if found is None:
            raise FilmRejected(DAMAGED)
        yield marker, at + length, found.start()
        at = found.start()


def _quantisation(payload: bytes) -> dict[int, Steps]:
    """Tables (8, 8) of steps in a DQT segment, by their number; no step may be 0 (T.81, B.2.4.1)."""
    tables, at = {}, 0
    while at < len(payload):
        size = 2 if payload[at] >> 4 else 1
        packed = payload[at + 1 : at + 1 + 64 * size]
        if len(packed) < 64 * size:
            raise FilmRejected(DAMAGED)
        table = np.empty(64)
        table[_ZIGZAG] = np.frombuffer(packed, f">u{size}")
        if not table.all():
            raise FilmRejected(DAMAGED)
        tables[payload[at] & 15] = table.reshape(8, 8)
        at += 1 + 64 * size
    return tables


def _has_outlier(table: Steps) -> bool:
    """Whether one step stands far above those around it."""
    around = np.lib.stride_tricks.sliding_window_view(np.pad(table, 1, constant_values=np.nan), (3, 3)).reshape(8, 8, 9)
    usual = np.nanmedian(around, axis=2)
    return bool(((table >= _OUTLIER_TIMES * usual) & (table >= usual + _OUTLIER_MORE)).any())


def _has_code_twice(payload: bytes) -> bool:
    """Whether a table of a DHT segment gives two codes to one symbol (T.81, B.2.4.2), which serves nothing."""
    at = 0
    while at + 17 <= len(payload):
        symbols = payload[at + 17 : at + 17 + sum(payload[at + 1 : at + 17])]
        if len(set(symbols)) < len(symbols):
            return True
        at += 17 + len(symbols)
    return False


def _two(content: bytes, at: int) -> int:
    return int.from_bytes(content[at : at + 2], "big")


def decode_jpeg(content: bytes, frame: JpegFrame) -> Pixels:
    """Pixels of a JPEG stream of 8 bits, shape (rows, columns) or (rows, columns, samples).

    Raises
    ------
    FilmRejected
        If the stream is damaged, as far as decoding tells.
    """
    if frame.components not in _COLOUR or frame.precision != 8:
        raise FilmRejected(f"a JPEG of {frame.components} components and {frame.precision} bits, which is not read")
    colour = _COLOUR[frame.components]
    decode = partial(_strict, colour=colour)
    pixels = _strict(content, colour)
    if pixels is None or pixels.shape[:2] != (frame.rows, frame.columns) or left_over(content, frame, decode, pixels):
        raise FilmRejected(DAMAGED)
    return pixels[..., 0] if frame.components == 1 else pixels


def luminance(content: bytes, frame: JpegFrame, pixels: Pixels) -> Pixels:
    """What the first component of a decoded stream holds, shape (rows, columns); of colour, the brightness alone."""
    grey = _strict(content, "GRAY") if frame.components == 3 else None
    return grey[..., 0] if grey is not None else pixels if pixels.ndim == 2 else pixels[..., 0]


def _strict(content: bytes, colour: str) -> Pixels | None:
    try:
        pixels: Pixels = simplejpeg.decode_jpeg(content, colour, strict=True)
    except ValueError:
        return None
    return pixels


def left_over(content: bytes, frame: JpegFrame, decode: Decode, pixels: npt.NDArray[Any]) -> bool:
    """Whether data lie behind the last block of a scan: then blocks were lost on the way, and those since displaced.

    The decoder speaks only of whole bytes that it has not taken in, and it takes in some ahead. But data that matter
    can be told: with one of their bits turned the picture is another one, or none. The last bits of a scan must be
    such, but for the padding, which is ones (T.81, F.1.2.3), with some encoders zeros.

    Parameters
    ----------
    content : bytes
        The stream.
    frame : JpegFrame
        Its headers.
    decode : callable
        As ``pixels`` were decoded.
    pixels : ndarray, shape (rows, columns) or (rows, columns, components)
        What ``decode`` makes of the stream.

    Returns
    -------
    bool
        False, too, of a process that this cannot be told of, such as arithmetic coding.
    """
    if frame.process in (*_HUFFMAN_SEQUENTIAL, LOSSLESS):
        start, end = frame.scans[-1]
    elif frame.process == _PROGRESSIVE:
        # The first scan holds the mean of every block and makes a picture by itself. In later ones a last bit may be
        # without effect: it may count blocks beyond the last one.
        start, end = frame.scans[0]
        content = content[:end] + bytes([0xFF, _EOI])
        alone = decode(content)
        if alone is None:
            return True
        pixels = alone
    else:
        return False
    # Without fill bytes, and from the last restart on: what lies before was checked by the decoder.
    end = start + len(content[start:end].rstrip(b"\xff"))
    for restart in range(0xD0, 0xD8):
        start = max(start, content.rfind(bytes([0xFF, restart]), start, end) + 2)
    data = content[start:end].replace(b"\xff\x00", b"\xff")
    zeros, ones = _last_bits(data, 0), _last_bits(data, 1)
    if not zeros:
        return False
    bits = zeros[: _TAIL_BITS_LOSSLESS if frame.process == LOSSLESS else _TAIL_BITS]
    if zeros[0] == 8 * len(data) - 1:  # these may be the padding
        bits += ones[:1]
    return all(_unused(content, start, end, data, bit, decode, pixels) for bit in bits)


def _last_bits(data: bytes, value: int) -> list[int]:
    """Numbers of the bits of this value among the last bytes, the last one first."""
    first = max(0, len(data) - 16)
    bits = np.unpackbits(np.frombuffer(data[first:], np.uint8))
    return [8 * first + int(bit) for bit in np.flatnonzero(bits == value)[::-1]]


def _unused(
    content: bytes, start: int, end: int, data: bytes, bit: int, decode: Decode, pixels: npt.NDArray[Any]
) -> bool:
    """Whether turning a bit of a scan's data (stuffing taken out) changes nothing."""
    turned = bytearray(data)
    turned[bit // 8] ^= 0x80 >> bit % 8
    stuffed = bytes(turned).replace(b"\xff", b"\xff\x00")
    other = decode(content[:start] + stuffed + content[end:])
    return other is not None and np.array_equal(other, pixels)
