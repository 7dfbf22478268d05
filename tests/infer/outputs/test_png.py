"""Pictures are PNG files that any reader takes (Pillow, and the signature of ISO/IEC 15948)."""

import io
import struct
import zlib

import numpy as np
from PIL import Image

from raysplay.infer.outputs.png import png


def test_every_pixel_comes_back():
    rng = np.random.default_rng(2)
    for shape in ((1, 1, 3), (37, 53, 3), (400, 700, 3)):
        picture = Image.fromarray(rng.integers(0, 256, shape, np.uint8))
        content = png(picture)
        assert content[:8] == b"\x89PNG\r\n\x1a\n"
        with Image.open(io.BytesIO(content)) as read:
            assert read.format == "PNG"
            assert read.mode == "RGB"
            np.testing.assert_array_equal(np.asarray(read), np.asarray(picture))
        # Every chunk ends in the CRC of its name and data (ISO/IEC 15948, 5.3), and nothing follows the last.
        place = 8
        while place < len(content):
            (length,) = struct.unpack(">I", content[place : place + 4])
            end = place + 8 + length
            assert zlib.crc32(content[place + 4 : end]) == struct.unpack(">I", content[end : end + 4])[0]
            place = end + 4
        assert content[place - 8 : place - 4] == b"IEND"
