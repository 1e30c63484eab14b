"""Measures of frames: sharpness, exposure, glare, evenness, stillness, noise. Array in, record out."""

from .causes import Cause, causes
from .frame import frame_measures
from .stillness import stillness

__all__ = ["Cause", "causes", "frame_measures", "stillness"]
