"""Declared sizes are judged before anything is decoded (limits: common practice, no source)."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest

from raysplay.configs.load import ConfigError, load
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.read import read_film
from raysplay.infer.films.settings import FilmLimits, film_settings


def _png_header(columns: int, rows: int) -> bytes:
    """PNG specification 5.3 and 11.2.2: signature, IHDR of an 8-bit grey picture, one empty IDAT."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")


class TestShippedLimits:
    def test_a_large_plate_passes_and_a_side_of_20000_does_not(self) -> None:
        film_settings().check_size(8602, 7002)  # 43 x 35 cm at 50 micrometres
        for rows, columns in ((20_000, 300), (300, 20_000), (20_000, 20_000)):
            with pytest.raises(FilmRejected, match="too large"):
                film_settings().check_size(rows, columns)

    @pytest.mark.parametrize(("rows", "columns"), [(1, 1), (1, 3000), (3000, 1)])
    def test_one_pixel_is_refused(self, rows: int, columns: int) -> None:
        with pytest.raises(FilmRejected, match="too small"):
            film_settings().check_size(rows, columns)

    def test_impossible_size(self) -> None:
        with pytest.raises(FilmRejected, match="impossible"):
            film_settings().check_size(0, 100)


class TestFiles:
    def test_png_that_declares_20000_pixels(self, limits, tmp_path) -> None:
        (tmp_path / "a.png").write_bytes(_png_header(20_000, 20_000))
        with pytest.raises(FilmRejected, match="too large: 20000 x 20000"):
            read_film(tmp_path / "a.png", limits)

    def test_dicom_that_declares_20000_pixels(self, limits, write, make_dicom, grey12) -> None:
        path = write(make_dicom(grey12, Rows=20_000, Columns=20_000))
        with pytest.raises(FilmRejected, match="too large: 20000 x 20000"):
            read_film(path, limits)

    def test_dicom_of_one_pixel(self, limits, write, make_dicom) -> None:
        with pytest.raises(FilmRejected, match="too small: 1 x 1"):
            read_film(write(make_dicom(np.array([[5]], np.uint16))), limits)

    def test_file_beyond_the_limit_is_not_read(self, limits, tmp_path) -> None:
        with open(tmp_path / "a.dcm", "wb") as stream:
            stream.write(bytes(128) + b"DICM")
            stream.truncate(limits.max_file_bytes + 1)
        with pytest.raises(FilmRejected, match=f"the limit is {limits.max_file_bytes}"):
            read_film(tmp_path / "a.dcm", limits)

    def test_empty_file(self, limits, tmp_path) -> None:
        (tmp_path / "a.dcm").write_bytes(b"")
        with pytest.raises(FilmRejected, match="empty file"):
            read_film(tmp_path / "a.dcm", limits)

    def test_file_that_is_gone(self, limits, tmp_path) -> None:
        with pytest.raises(FilmRejected, match="cannot be read"):
            read_film(tmp_path / "gone.dcm", limits)


class TestConfiguration:
    @pytest.mark.parametrize(
        "change", ["percentile_window: [99.0, 1.0]", "min_side: 99999", "no_such_limit: 1", "max_pixels: 0"]
    )
    def test_nonsense_is_refused(self, tmp_path, change: str) -> None:
        shipped = film_settings().model_dump(mode="json")
        key = change.split(":")[0]
        lines = [f"{name}: {value}" for name, value in shipped.items() if name != key]
        (tmp_path / "films.yaml").write_text("\n".join([*lines, change]))
        with pytest.raises(ConfigError):
            load(FilmLimits, tmp_path / "films.yaml")
