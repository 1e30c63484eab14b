"""The eye against named outside sources: eccentricity, OpenCV's finder, OpenCV's marker reader,
a DXF and a PDF reader of their own."""

import cv2
import numpy as np
import pytest

from holdstill.records import Sighting
from holdstill.target import draw_dxf, draw_pdf, draw_svg, find, parse
from holdstill.target.eccentricity import eccentricity_px
from holdstill.target.viewmap import ViewMap
from target.paint import paint
from target.scenes import HALF, PLATE


@pytest.mark.parametrize(("tilt_deg", "expected_px"), [(15, 0.01875), (30, 0.03248), (45, 0.03750)])
def test_eccentricity_of_a_tilted_circle_on_the_axis(tilt_deg, expected_px):
    """c r^2 sin w cos w / (d^2 - r^2 sin^2 w), c 3000 px, r 2.5, d 500: own derivation, cf. Matsuoka &
    Maruyama, ISPRS Annals III-5 (2016) 19-26."""
    w = np.radians(tilt_deg)
    h = np.array([[3000 * np.cos(w), 0, 0], [0, 3000.0, 0], [np.sin(w), 0, 500.0]])
    off = eccentricity_px(ViewMap(h, np.zeros(2), 1.0), np.zeros((1, 2)), 2.5)
    assert np.abs(off[0, 0]) == pytest.approx(expected_px, abs=6e-6)
    assert off[0, 1] == pytest.approx(0, abs=1e-9)
    assert (
        off[0, 0] < 0
    )  # the far side lies at +x here (depth grows with x): the centre moves to the near side


def test_opencvs_finder_agrees_on_indices_and_within_its_own_error_on_centres():
    """Independent implementation: cv2.findCirclesGrid (OpenCV 5)."""
    view = paint(PLATE, **HALF, distance_mm=800, tilt_deg=(10, -10), turn_deg=4)
    seen = find(view.image, PLATE, camera="left", full_scale=255)
    assert isinstance(seen, Sighting)
    ok, centres = cv2.findCirclesGrid(view.image, (14, 10), flags=cv2.CALIB_CB_SYMMETRIC_GRID)
    assert ok
    theirs = np.asarray(centres).reshape(-1, 2)
    gap = min(np.abs(seen.points_px - order).max() for order in (theirs, theirs[::-1]))
    assert gap < 0.3


@pytest.mark.parametrize("polarity", ["", " bright"])
def test_opencvs_marker_reader_reads_a_drawn_coded_plate(polarity):
    """Independent implementation: cv2.aruco.ArucoDetector, on the picture of the plate."""
    plate = parse("coded-dots 14x10 14mm" + polarity)
    levels = {"dark": False, "ground": 35.0, "dots": 190.0} if polarity else {}
    view = paint(plate, **HALF, distance_mm=800, **levels)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(view.image)
    assert sorted(np.asarray(ids).ravel().tolist()) == [m.marker_id for m in plate.markers]


def test_the_dxf_is_read_by_an_independent_reader(tmp_path):
    """ezdxf (MIT), a reader of the published DXF reference."""
    ezdxf = pytest.importorskip("ezdxf")
    plate = parse("coded-dots 14x10 14mm")
    file = tmp_path / "plate.dxf"
    file.write_text(draw_dxf(plate))
    document = ezdxf.readfile(file)
    assert document.audit().errors == []
    circles = document.modelspace().query('CIRCLE[layer=="DOTS"]')
    xy = plate.points_mm()[[n for n in range(140) if n not in plate.absent], :2]
    assert sorted((round(c.dxf.center.x, 4), round(-c.dxf.center.y, 4)) for c in circles) == sorted(
        (round(float(x), 4), round(float(y), 4)) for x, y in xy
    )
    assert {round(c.dxf.radius, 6) for c in circles} == {round(0.45 * 14 / 2, 6)}


def test_svg_and_pdf_are_to_scale():
    plate = parse("dots 14x10 12mm d5mm")
    svg = draw_svg(plate)
    assert 'width="177.6000mm"' in svg  # 13 pitches and 0.9 on either side
    assert svg.count("<circle") == 140
    assert 'r="2.50000"' in svg
    pdf = draw_pdf(plate)
    box = pdf.split(b"/MediaBox [0 0 ")[1].split()[0]
    assert float(box) == pytest.approx(177.6 * 72 / 25.4, abs=1e-3)
    start = int(pdf.rsplit(b"startxref\n", 1)[1].split()[0])
    assert pdf[start : start + 4] == b"xref"
