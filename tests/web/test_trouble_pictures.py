"""A trouble's picture matches the camera and the side that its words name."""

import re
from dataclasses import replace

from holdstill.phrases.cues import trouble_says
from holdstill.records import Trouble
from holdstill.web.views import Renderer
from web.scenes import scenes

SCENES = scenes()


def stage(trouble: Trouble, camera: str, *, faces: bool = True, way: str | None = None) -> str:
    scene = SCENES[f"trouble-{trouble.value.replace(' ', '-')}"]
    headline, remedy = trouble_says(trouble, camera, None, way=way)
    advice = replace(scene.advice, headline=headline, remedy=remedy, trouble_camera=camera)
    told = replace(scene, advice=advice, operator_faces_cameras=faces)
    return Renderer().fragments(told, ("stage",))["stage"]


def empty_frame_x(html: str) -> float:
    """Middle of the frame without plate, as drawn."""
    (x,) = re.findall(r'<rect x="(\d+)" y="56" width="66" height="44" rx="5" class="plate wish"', html)
    middle = float(x) + 33
    return 240 - middle if "matrix(-1 0 0 1 240 0)" in html else middle


def test_the_empty_frame_stands_where_the_cameras_picture_does() -> None:
    assert (
        empty_frame_x(stage(Trouble.ONE_CAMERA, "left"))
        < 120
        < empty_frame_x(stage(Trouble.ONE_CAMERA, "right"))
    )


def test_glare_is_drawn_at_the_edge_to_bring_nearer_from_the_operators_side() -> None:
    mirrored = 'transform="matrix(-1 0 0 1 240 0)"'
    assert mirrored not in stage(Trouble.GLARE, "left", way="left", faces=True)
    assert mirrored in stage(Trouble.GLARE, "left", way="left", faces=False)
    assert "matrix(1 0 0 -1 0 160)" in stage(Trouble.GLARE, "left", way="bottom")
    assert "matrix(1 0 0 -1 0 160)" not in stage(Trouble.GLARE, "left", way="top")
