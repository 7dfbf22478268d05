"""Pictures are PNG files that any reader takes (Pillow, and the signature of ISO/IEC 15948)."""

import io

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
