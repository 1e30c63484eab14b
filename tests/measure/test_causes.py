import cv2
import numpy as np
import pytest

from holdstill.measure import causes, frame_measures
from holdstill.records import Nothing, Trouble
from measure.drawn_scenes import PLATE, draw, expose, homography, sighting

SIZE = (800, 640)
H = homography(SIZE)
NONE = Nothing("too few dots", {"found": 3, "needed": 24})


def first(image, seen, plate=PLATE, others=None):
    m = frame_measures(image, camera="left", full_scale=255, plate=plate, sighting=seen if seen else None)
    return causes(seen, m, plate=plate, others=others)


def rng():
    return np.random.default_rng(5)


def points_inside(mask):
    px = sighting(H).points_px
    return [i for i, (x, y) in enumerate(px) if mask[round(y), round(x)]]


def test_a_clean_frame_has_no_cause():
    assert first(expose(draw(SIZE, H), rng()), sighting(H)) == ()


@pytest.mark.parametrize("level", [8.0, 90.0, 150.0])
def test_a_finger_dark_or_bright(level):
    """A blob from the plate's edge; 8 is a black glove, 90 a hand in shade, 150 one in light."""
    light = draw(SIZE, H)
    mask = np.zeros(light.shape, np.uint8)
    cv2.ellipse(mask, ((720, 330), (330, 120), 10), 1, -1)
    light = np.where(mask > 0, level, light).astype(np.float32)
    found = first(expose(cv2.GaussianBlur(light, (0, 0), 1.5), rng()), sighting(H, drop=points_inside(mask)))
    assert found[0].trouble is Trouble.FINGER
    assert found[0].numbers["points_hidden"] >= 6


@pytest.mark.parametrize("left", [0.12, 0.04])
def test_a_shadow_leaves_the_dots_faintly_there(left):
    """At 0.04 of the light no single dot stands clear of the noise; all that are missing do together."""
    light = draw(SIZE, H)
    mask = np.zeros(light.shape, np.uint8)
    cv2.rectangle(mask, (80, 90), (280, 560), 1, -1)
    light = light * np.where(mask > 0, left, 1.0).astype(np.float32)
    found = first(expose(light, rng()), sighting(H, drop=points_inside(mask)))
    assert found[0].trouble is Trouble.SHADOW


def test_glare_where_points_are_missing():
    light = draw(SIZE, H)
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    spot = 700 * np.exp(-(((x - 300) ** 2 + (y - 300) ** 2) / (2 * 50.0**2)))
    found = first(expose(light + spot, rng()), sighting(H, drop=points_inside(spot > 200)))
    assert found[0].trouble is Trouble.GLARE
    assert abs(found[0].numbers["x_px"] - 300) < 12


def test_half_out_of_the_picture():
    h = homography(SIZE, shift=(350, 0))
    found = first(expose(draw(SIZE, h), rng()), sighting(h))
    assert [c.trouble for c in found] == [Trouble.HALF_OUT]
    assert found[0].numbers["points_outside"] > 30


@pytest.mark.parametrize(("stops", "trouble"), [(-4.5, Trouble.TOO_DARK), (4.5, Trouble.TOO_BRIGHT)])
def test_exposure_comes_first_without_a_plate(stops, trouble):
    found = first(expose(draw(SIZE, H), rng(), stops=stops), NONE)
    assert found[0].trouble is trouble


def test_too_dark_with_a_plate_says_how_many_stops():
    found = first(expose(draw(SIZE, H), rng(), stops=-3.6), sighting(H))
    assert found[0].trouble is Trouble.TOO_DARK
    assert 3 < found[0].numbers["stops_up"] < 4.2


def test_smear_and_defocus_are_told_apart():
    light = draw(SIZE, homography(SIZE, fill=0.95))
    smeared = cv2.blur(light, (21, 1))
    defocused = cv2.GaussianBlur(light, (0, 0), 5.0)
    assert first(expose(smeared, rng()), NONE)[0].trouble is Trouble.BLURRED
    assert first(expose(defocused, rng()), NONE)[0].trouble is Trouble.DEFOCUSED


def test_another_camera_sees_it():
    other = sighting(H, camera="right")
    blank = expose(np.full((640, 800), 80.0), rng())
    assert first(blank, NONE, others={"right": other})[0].trouble is Trouble.ONE_CAMERA
    assert first(blank, NONE)[0].trouble is Trouble.NO_PLATE
