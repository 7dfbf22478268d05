"""Display shutter (DICOM PS3.3, C.7.6.11): rows and columns count from 1."""

from __future__ import annotations

import numpy as np
import pytest
from pydicom.dataset import Dataset

from raysplay.infer.films.shutter import outside_shutter


def _shutter(**attributes: object) -> Dataset:
    ds = Dataset()
    for keyword, value in attributes.items():
        setattr(ds, keyword, value)
    return ds


RECTANGLE = {
    "ShutterLeftVerticalEdge": 11,
    "ShutterRightVerticalEdge": 50,
    "ShutterUpperHorizontalEdge": 6,
    "ShutterLowerHorizontalEdge": 35,
}


class TestShapes:
    def test_rectangle(self) -> None:
        hidden, remarks = outside_shutter(_shutter(ShutterShape="RECTANGULAR", **RECTANGLE), 40, 60)
        visible = np.zeros((40, 60), bool)
        visible[5:35, 10:50] = True
        np.testing.assert_array_equal(hidden, ~visible)
        assert remarks == ("display shutter applied",)

    def test_circle_has_the_area_of_a_circle(self) -> None:
        ds = _shutter(ShutterShape="CIRCULAR", CenterOfCircularShutter=[50, 70], RadiusOfCircularShutter=30)
        hidden, _ = outside_shutter(ds, 100, 140)
        assert np.count_nonzero(~hidden) == pytest.approx(np.pi * 30**2, rel=0.02)
        row, column = np.nonzero(~hidden)
        assert (row.mean(), column.mean()) == (49.0, 69.0)

    def test_polygon_lists_row_before_column(self) -> None:
        ds = _shutter(ShutterShape="POLYGONAL", VerticesOfThePolygonalShutter=[6, 11, 6, 50, 35, 50, 35, 11])
        hidden, _ = outside_shutter(ds, 40, 60)
        expected, _ = outside_shutter(_shutter(ShutterShape="RECTANGULAR", **RECTANGLE), 40, 60)
        np.testing.assert_array_equal(hidden, expected)

    def test_several_shapes_hide_together(self) -> None:
        ds = _shutter(
            ShutterShape=["RECTANGULAR", "CIRCULAR"],
            CenterOfCircularShutter=[20, 30],
            RadiusOfCircularShutter=12,
            **RECTANGLE,
        )
        both, _ = outside_shutter(ds, 40, 60)
        rectangle, _ = outside_shutter(_shutter(ShutterShape="RECTANGULAR", **RECTANGLE), 40, 60)
        assert (both[rectangle]).all()
        assert np.count_nonzero(both) > np.count_nonzero(rectangle)


class TestUnusable:
    @pytest.mark.parametrize(
        "ds",
        [
            _shutter(ShutterShape="RECTANGULAR"),
            _shutter(ShutterShape="STAR"),
            _shutter(ShutterShape="CIRCULAR", CenterOfCircularShutter=[900, 900], RadiusOfCircularShutter=3),
        ],
    )
    def test_is_ignored_with_a_remark(self, ds: Dataset) -> None:
        hidden, (remark,) = outside_shutter(ds, 40, 60)
        assert hidden is None
        assert "ignored" in remark

    def test_none_stated(self) -> None:
        assert outside_shutter(Dataset(), 40, 60) == (None, ())
