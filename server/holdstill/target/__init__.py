"""The eye: finds the plate in a picture, exactly, and draws plates to scale."""

from .drawing import drawn_size_mm
from .finder import find
from .identity import identify
from .orientation import half_turn
from .portrait import picture_of
from .spec import parse, words
from .vector import draw_dxf, draw_pdf, draw_svg

__all__ = [
    "draw_dxf", "draw_pdf", "draw_svg", "drawn_size_mm", "find", "half_turn", "identify", "parse",
    "picture_of", "words",
]  # fmt: skip
