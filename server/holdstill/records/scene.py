"""A still scene remembered: places that can be found again, and how much they wander by noise alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .plate import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SceneMarks:
    """Patches of one camera's reference picture that can be found again.

    points_px: float64 (n, 2), their middles; sigmas_px: float64 (n, 2), standard deviation of one
    found again, x and y, from the picture's noise and the patch's gradients; patch_px: their side.
    """

    camera: str
    size_px: tuple[int, int]
    points_px: FloatArray
    sigmas_px: FloatArray
    patch_px: int


@dataclass(frozen=True, slots=True, eq=False)
class SceneShift:
    """Where the marks of a reference picture are in a later one of the same camera.

    shifts_px
        float64 (n, 2), later minus reference, NaN where a patch was not found again. `sigmas_px`:
        float64 (n, 2). `likeness`: median normalised correlation of those found, 0..1.
    """

    camera: str
    shifts_px: FloatArray
    sigmas_px: FloatArray
    likeness: float

    @property
    def found(self) -> int:
        """How many patches were found again."""
        return int((self.shifts_px[:, 0] == self.shifts_px[:, 0]).sum())


@dataclass(frozen=True, slots=True)
class NoiseFloor:
    """What a short series of a scene that stands still shows in one camera.

    random_px
        Standard deviation of a patch's place from frame to frame about the frame's common motion,
        per axis, rms over the patches. `expected_px`: what the picture's noise alone would give.
    common_px
        The same of the whole picture's place: vibration, a moving specimen.
    """

    camera: str
    frames: int
    patches: int
    patch_px: int
    random_px: float
    expected_px: float
    common_px: float


@dataclass(frozen=True, slots=True, eq=False)
class SceneReference:
    """A scene as the calibrated cameras saw it: the picture (by digest), its marks, its noise floor."""

    name: str
    originals: Mapping[str, str]
    marks: Mapping[str, SceneMarks]
    floors: Mapping[str, NoiseFloor]


@dataclass(frozen=True, slots=True)
class FloorMeaning:
    """The noise floor as a measurement by this rig sees it, one sigma of a single subset of
    `patch_px` pixels: displacement in the plane and along the view (um), strain (um/m) between two
    subsets `gauge_mm` apart."""

    in_plane_um: float
    out_of_plane_um: float
    strain_um_per_m: float
    gauge_mm: float
    patch_px: int


@dataclass(frozen=True, slots=True)
class SeriesState:
    """A series being taken: shots so far of how many (0 of 0: it could not be), and what keeps it:
    ``""``, ``"plate"`` (in view), ``"no texture"``, ``"unsteady"``, ``"disk"``, ``"lost"``."""

    taken: int
    wanted: int
    why: str = ""


@dataclass(frozen=True, slots=True)
class SceneState:
    """What the pages show of the still scene: a series being taken, the last one's noise floors and
    what they mean by this rig."""

    series: SeriesState | None
    floors: tuple[NoiseFloor, ...] = ()
    meaning: FloorMeaning | None = None
