"""Small files whose headers ask for time or memory out of all proportion: refused or passed over, before it is spent.

Each of these took more than 5 s, or more than a gigabyte, or would not end, before it was bounded. The reader's own
limits would end them, too, but much later; here they are set low, so that a test does not wait for them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np
import pytest
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import FilmRejected


def said(film) -> list[str]:
    return [remark.text for remark in film.remarks]


@pytest.fixture(scope="module")
def hasty(limits) -> Iterator[FilmReader]:
    with FilmReader(limits.model_copy(update={"decode_seconds": 6.0, "decode_memory_bytes": 1 << 30})) as reader:
        yield reader


@pytest.mark.parametrize("value", [16, 2**16, 2**31 - 1, 2**31, 2**32 - 1])
def test_high_bit(hasty, write, make_dicom, grey12, value) -> None:
    """PS3.5, 8.1.1: it lies within the bits allocated. Values are shifted by what it says."""
    ds = make_dicom(grey12)
    ds.add(DataElement("HighBit", "UL", value))
    with pytest.raises(FilmRejected, match="HighBit lies outside the bits allocated"):
        hasty.read(write(ds))


def test_high_bit_beyond_what_is_stored(hasty, write, make_dicom, grey12) -> None:
    """Earlier editions let the stored bits lie anywhere among those allocated."""
    plain = hasty.read(write(make_dicom(grey12)))
    film = hasty.read(write(make_dicom(grey12 << 4, HighBit=15)))
    np.testing.assert_array_equal(film.pixels, plain.pixels)


@pytest.mark.parametrize("value", ["1e308", "9" * 16, "-99999999999"])
def test_numbers_of_any_length(hasty, write, make_dicom, grey12, value) -> None:
    ds = make_dicom(grey12)
    ds.add(DataElement("BitsStored", "DS", value))
    with pytest.raises(FilmRejected) as refused:
        hasty.read(write(ds))
    assert len(str(refused.value)) < 120


@pytest.mark.parametrize("bits", [0, 7, 17, 2**31, 2**32 - 1])
def test_depth_of_a_table(hasty, write, make_dicom, grey12, bits) -> None:
    """PS3.3, C.11.2.1.1: 8 to 16. The largest entry is a power of it."""
    table = Dataset()
    table.add(DataElement("LUTDescriptor", "UL", [4096, 0, bits]))
    table.add(DataElement("LUTData", "OW", np.arange(4096, dtype="<u2").tobytes()))
    film = hasty.read(write(make_dicom(grey12, VOILUTSequence=[table])))
    assert "the stated window is unusable: window set by percentiles" in said(film)


def test_vertices_of_a_shutter(hasty, write, make_dicom) -> None:
    """Drawing a polygon takes time for every vertex in every row."""
    rng = np.random.default_rng(0)
    pixels = rng.integers(0, 4096, (2000, 500)).astype(np.uint16)
    vertices = "\\".join(str(one) for one in rng.integers(1, 500, 200_000)).encode()
    ds = make_dicom(pixels, ShutterShape="POLYGONAL")
    ds.add(DataElement("VerticesOfThePolygonalShutter", "UN", vertices))
    assert "the display shutter is unusable and was ignored" in said(hasty.read(write(ds)))


def test_shapes_of_a_shutter(hasty, write, make_dicom) -> None:
    pixels = np.random.default_rng(0).integers(0, 4096, (3000, 2000)).astype(np.uint16)
    ds = make_dicom(pixels, CenterOfCircularShutter=[1500, 1000], RadiusOfCircularShutter=900)
    ds.add(DataElement("ShutterShape", "UN", b"\\".join([b"CIRCULAR"] * 5000)))
    assert "display shutter applied" in said(hasty.read(write(ds)))


class TestColourTablesInSegments:
    """PS3.3, C.7.9.2: three words may stand for 65,535 entries, or have earlier segments repeated."""

    @staticmethod
    def _film(make_dicom, *words: int) -> Dataset:
        grey = np.arange(2400, dtype=np.uint16).reshape(40, 60) // 10
        ds = make_dicom(grey.astype(np.uint8), PhotometricInterpretation="PALETTE COLOR")
        for colour in ("Red", "Green", "Blue"):
            setattr(ds, f"{colour}PaletteColorLookupTableDescriptor", [256, 0, 16])
            packed = struct.pack(f"<{len(words)}H", *words)
            setattr(ds, f"Segmented{colour}PaletteColorLookupTableData", packed)
        return ds

    def test_plain_ones_are_read(self, hasty, write, make_dicom) -> None:
        film = hasty.read(write(self._film(make_dicom, 0, 1, 0, 1, 255, 65280)))
        assert "a grey picture stored in colour was converted" in said(film)
        assert film.pixels[0, 0] < film.pixels[20, 0] < film.pixels[39, 0]

    @pytest.mark.parametrize("words", [(0, 1, 5, *(1, 65535, 9, 1, 65535, 0) * 600), (0, 1, 5, *(2, 65535, 0, 0) * 40)])
    def test_boundless_ones_are_refused(self, hasty, write, make_dicom, words) -> None:
        with pytest.raises(FilmRejected, match="colour table is unusable"):
            hasty.read(write(self._film(make_dicom, *words)))
