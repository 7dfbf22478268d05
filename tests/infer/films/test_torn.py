"""What a wrong mean of one block does to all after it (ITU-T T.81, F.1.1.5.1), made by hand; and films that look alike.

A picture is torn here as a decoder would tear it: the coded levels of every block after the damaged one are shifted,
then rounded and cut off. Whether a real damaged stream looks so is checked in ``test_jpeg.py``.
"""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from raysplay.infer.films.torn import torn

Pixels = npt.NDArray[np.uint8]
ROWS, COLUMNS = 320, 256


@pytest.fixture(scope="module")
def film() -> npt.NDArray[np.float64]:
    """Bones on soft tissue on air; air is darkest, but not black."""
    rng = np.random.default_rng(2)
    row, column = np.mgrid[:ROWS, :COLUMNS]
    grey = 30 + 70 * np.exp(-(((column - 128) / 70) ** 4)) * (row > 30)
    for middle, lean in ((80, 0.08), (125, 0.0), (170, -0.08)):
        grey += 80 * np.exp(-(((column - middle - lean * row) / 11) ** 4)) * (row > 50) * (row < 290)
    return grey + rng.normal(0, 1.0, grey.shape)


def whole(grey: npt.NDArray[np.float64]) -> Pixels:
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def shifted(grey: npt.NDArray[np.float64], by: float, row: int, column: int, unit: int = 8) -> Pixels:
    """Brighter by ``by`` from a block on, by its row and column, row after row to the end."""
    changed = grey.copy()
    changed[row * unit : (row + 1) * unit, column * unit :] += by
    changed[(row + 1) * unit :] += by
    return whole(changed)


class TestTorn:
    @pytest.mark.parametrize("by", [-60, -25, -9, -4, 4, 9, 25, 60, 120])
    @pytest.mark.parametrize(("row", "column"), [(10, 0), (10, 7), (17, 16), (25, 29)])
    def test_step_from_a_block_on(self, film, by, row, column) -> None:
        assert torn(shifted(film, by, row, column))

    @pytest.mark.parametrize("by", [-250, 250])
    @pytest.mark.parametrize("column", [8, 16, 24])
    def test_cut_off_at_black_or_white(self, film, by, column) -> None:
        assert torn(shifted(film, by, 17, column))

    @pytest.mark.parametrize("by", [-20, 20])
    def test_units_of_two_rows_of_blocks(self, film, by) -> None:
        assert torn(shifted(film, by, 9, 5, unit=16), unit_rows=16)

    def test_one_row_only(self, film) -> None:
        """As where a restart sets the mean right again (T.81, F.2.1.3.1)."""
        changed = film.copy()
        changed[80:88, 40:] += 20
        assert torn(whole(changed))

    @pytest.mark.parametrize("quality", [30, 60, 90])
    def test_under_the_noise_of_compression(self, film, quality) -> None:
        stream = io.BytesIO()
        Image.fromarray(whole(film)).save(stream, "JPEG", quality=quality)
        with Image.open(stream) as opened:
            decoded = np.asarray(opened).astype(float)
        assert torn(shifted(decoded, 24, 17, 9), level=6)


class TestSound:
    def test_film(self, film) -> None:
        assert not torn(whole(film))
        assert not torn(whole(film), unit_rows=16)
        assert not torn(whole(255 - film))

    @pytest.mark.parametrize("quality", [5, 15, 30, 60, 95])
    def test_blocks_that_show(self, film, quality) -> None:
        stream = io.BytesIO()
        Image.fromarray(whole(film)).save(stream, "JPEG", quality=quality)
        with Image.open(stream) as opened:
            level = opened.quantization[0][0] / 8
            assert not torn(np.asarray(opened), level=level)

    @pytest.mark.parametrize("by", [-1.5, 1.5])
    def test_step_too_small_to_matter(self, film, by) -> None:
        assert not torn(shifted(film, by, 17, 9))

    @pytest.mark.parametrize("level", [0, 250])
    @pytest.mark.parametrize("row", [160, 163])
    def test_edge_of_the_exposed_field(self, film, level, row) -> None:
        """Along a row of blocks or not: a straight edge is no tear, however dark or bright the frame."""
        framed = film.copy()
        framed[row:] = level
        assert not torn(whole(framed))

    @pytest.mark.parametrize("slope", [1 / 64, 1 / 16, 1 / 8])
    def test_edge_of_the_exposed_field_aslant(self, film, slope) -> None:
        row, column = np.mgrid[:ROWS, :COLUMNS]
        assert not torn(whole(np.where(row > 200 + slope * column, 0, film)))

    @pytest.mark.parametrize("every", [8, 16, 24])
    def test_rows_of_a_worn_detector(self, film, every) -> None:
        """Rows each a little brighter or darker than their neighbours, blocks of them alike."""
        rng = np.random.default_rng(0)
        bands = np.repeat(rng.normal(0, 3, ROWS // every + 1), every)[:ROWS]
        assert not torn(whole(film + bands[:, None]))

    def test_slow_change_in_coarse_levels(self) -> None:
        """The ground changes down the film by steps as large as the levels of the means, each along a row of blocks."""
        row = np.arange(ROWS)[:, None] // 8
        ground = 60 + np.rint(row * 0.4) * 6.6
        assert not torn(whole(np.broadcast_to(ground, (ROWS, COLUMNS))), level=6.6)

    @pytest.mark.parametrize("shape", [(8, 8), (16, 200), (200, 16), (24, 64), (25, 65), (1, 1)])
    def test_small_pictures(self, shape) -> None:
        rng = np.random.default_rng(1)
        assert not torn(rng.integers(0, 256, shape, dtype=np.uint8))
