"""Damaged strips of TIFF pictures, which the library decodes without a word. Written by tifffile and Pillow."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.read import read_film

COMPRESSIONS = ["raw", "tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"]


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    rng = np.random.default_rng(5)
    row, column = np.mgrid[:90, :70]
    disc = np.clip(1.0 - ((row - 50) ** 2 + (column - 22) ** 2) / 900.0, 0.0, 1.0)
    return np.clip(20 + 200 * disc + rng.normal(0, 1, disc.shape), 0, 255).astype(np.uint8)


def _written(grey: np.ndarray, path: Path, compression: str) -> tuple[Path, int, int]:
    """File, and where its first strip lies."""
    Image.fromarray(grey).save(path, compression=compression)
    with Image.open(path) as opened:
        tags = opened.tag_v2
        return path, tags[273][0], tags[279][0]


@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize("mode", ["L", "RGB"])
def test_sound_pictures_pass(limits, tmp_path, grey, compression, mode) -> None:
    path = tmp_path / "a.tif"
    Image.fromarray(grey).convert(mode).save(path, compression=compression)
    film = read_film(path, limits)
    assert np.abs(film.pixels - grey / 255.0).max() < (0.1 if compression == "jpeg" else 1e-6)
    assert film.damage is None


@pytest.mark.parametrize("compression", ["tiff_adobe_deflate", "packbits", "jpeg"])
def test_damaged_strips_are_refused(limits, tmp_path, grey, compression) -> None:
    """A bit turned in the strip: of what the library reads as another picture, most is refused."""
    path, start, size = _written(grey, tmp_path / "a.tif", compression)
    content = path.read_bytes()
    sound = read_film(path, limits).pixels
    rng = np.random.default_rng(1)
    other, passed = 0, 0
    for _ in range(120):
        at = start + int(rng.integers(size))
        path.write_bytes(content[:at] + bytes([content[at] ^ 1 << int(rng.integers(8))]) + content[at + 1 :])
        try:
            with Image.open(path) as opened:
                changed = bool((np.abs(np.asarray(opened) / 255.0 - sound) > 0.05).mean() > 0.03)
        except Exception:
            continue
        other += changed
        try:
            film = read_film(path, limits)
        except FilmRejected:
            continue
        passed += changed and film.damage is None
    assert other >= 5
    # A JPEG of nine by twelve blocks holds too few for a step in it to be told from anatomy.
    assert passed <= (other / 2 if compression == "jpeg" else 0)


def test_strips_that_do_not_lie_in_the_file(limits, tmp_path, grey) -> None:
    path, _, size = _written(grey, tmp_path / "a.tif", "tiff_adobe_deflate")
    content = path.read_bytes()
    entry = content.index((279).to_bytes(2, "little"))
    assert int.from_bytes(content[entry + 8 : entry + 10], "little") == size
    for count in (0, 65535, 2**32 - 1):
        path.write_bytes(content[: entry + 2] + b"\4\0\1\0\0\0" + count.to_bytes(4, "little") + content[entry + 12 :])
        with pytest.raises(FilmRejected, match="damaged"):
            read_film(path, limits)


def test_very_many_pages_are_not_counted(limits, tmp_path, grey) -> None:
    """Forty thousand directories of six bytes: walking them takes the library minutes."""
    path = tmp_path / "a.tif"
    Image.fromarray(grey).save(path, compression="raw")
    content = bytearray(path.read_bytes())
    with Image.open(path) as opened:
        first = opened.tag_v2
        entries = len(first)
    directory = int.from_bytes(content[4:8], "little")
    link = directory + 2 + 12 * entries
    assert content[link : link + 4] == bytes(4)
    start = len(content) + len(content) % 2
    content[link : link + 4] = start.to_bytes(4, "little")
    content += bytes(start - len(content))
    for i in range(40_000):
        content += b"\0\0" + (start + 6 * (i + 1)).to_bytes(4, "little")
    path.write_bytes(content + bytes(6))
    with pytest.raises(FilmRejected, match="several pages"):
        read_film(path, limits)
