"""What the Rig, Focus and Light steps show: gathered by ``session``, drawn by ``web``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from .advice import Say

Box = tuple[float, float, float, float]
"""Left, top, right, bottom as shares of the picture, 0..1."""


@dataclass(frozen=True, slots=True)
class PartFocus:
    """Sharpness of one part of a picture: ``"whole"``, ``"centre"``, ``"edges"``, ``"corners"`` or
    ``"chosen"``. `share`: now over its own best, 0..1, None before any; `passed`: its peak was seen
    from both sides."""

    part: str
    share: float | None
    passed: bool


@dataclass(frozen=True, slots=True)
class FocusGauge:
    """A camera's focus gauge as it stands.

    order
        A `FocusOrder` value, ``"stale"`` or ``"no picture"``. `say`: the same in words.
    closer
        +1 it gets sharper, -1 softer, 0 neither.
    share
        Sharpness now over the best, 0..1.
    path
        Log of the sharpness over the best, oldest first, <= 0. `peak_at`: index of the best in it.
    cells
        Each region of `grid` (rows, columns), row by row: now over the region's own best, 0..1; 0
        where there is nothing to focus on.
    box
        The part of the picture that was dragged, snapped to the cells; None: the whole picture.
    edge_width_px, edge_best_px
        10-90 % rise of the edges now, and at the best, px.
    remark
        A tilted focus plane or a softer side, in words; None.
    """

    camera: str
    order: str
    say: Say
    closer: int = 0
    share: float = 0.0
    path: tuple[float, ...] = ()
    peak_at: int | None = None
    passed: bool = False
    parts: tuple[PartFocus, ...] = ()
    cells: tuple[float, ...] = ()
    grid: tuple[int, int] = (0, 0)
    box: Box | None = None
    edge_width_px: float | None = None
    edge_best_px: float | None = None
    remark: Say | None = None


@dataclass(frozen=True, slots=True)
class RoutineItem:
    """A step of the focusing routine (a `RoutineStep` value): ``"done"``, ``"now"``, ``"todo"`` or
    ``"passed"`` (not needed);
    `seen`: ticked by what the pictures showed, not by hand."""

    step: str
    state: str
    seen: bool = False


@dataclass(frozen=True, slots=True)
class Aperture:
    """What the chosen aperture gives one camera: nearest and farthest sharp distance (mm; `far_mm`
    None: no end) at `blur_px` of blur circle, the Airy disc (px), the largest sensible f-number."""

    camera: str
    f_number: float
    stand_off_mm: float
    near_mm: float
    far_mm: float | None
    blur_px: float
    airy_um: float
    airy_px: float
    largest_f_number: float
    too_small: bool


@dataclass(frozen=True, slots=True)
class FocusSetup:
    """The Focus step. `turned`: the camera whose ring is being turned now, or whose turn it is."""

    turned: str | None = None
    gauges: tuple[FocusGauge, ...] = ()
    routine: Mapping[str, tuple[RoutineItem, ...]] = field(default_factory=dict)
    apertures: tuple[Aperture, ...] = ()
    shift: Mapping[str, float] = field(default_factory=dict)
    """camera -> log of the sharpness after stopping down over that at the lock."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong with the light, most useful first: what, likely cause and remedy in words.

    kind
        ``"dark"``, ``"bright"``, ``"glare"``, ``"hot spot"``, ``"slope"``, ``"uneven"``, ``"gap"``,
        ``"flicker"``, ``"vibration"``, ``"shimmer"``, ``"moved"``, ``"saturated"``, ``"speckle"`` ...
    stops_it
        True: not fit to go on with; False: worth mending.
    """

    kind: str
    what: Say
    remedy: Say | None = None
    camera: str | None = None
    stops_it: bool = True


@dataclass(frozen=True, slots=True)
class GlareMark:
    """A glare patch: middle and radius as shares of the picture's width and height, place on the
    plate (``"upper left"`` as the cameras see it, "" when not known), share of the plate, 0..1."""

    x: float
    y: float
    radius: float
    on_plate: str
    share: float


@dataclass(frozen=True, slots=True)
class SpecimenLight:
    """A specimen's frame, or a part of it.

    saturated_share, high_share, low_share
        Clipped share of the region; its 99th and 1st percentile over the clipping level.
    contrast
        (95th - 5th percentile) / clipping level, 0..1.
    speckle_px
        Typical size of speckles, px; None where there is no pattern.
    cover
        Share of the region that is dark speckle, 0..1; None where there is no pattern.
    match_sigma_px
        Expected standard deviation of a matched subset's place, px, in the median subset;
        `match_worst_px`: in the worst tenth. None without texture.
    subset_px
        Subset side for which these hold.
    histogram
        Shares of the pixels by level, 64 equal bins up to the clipping level.
    fastest_mm_per_s
        Motion that the exposure blurs by no more than allowed; None when exposure or image scale are not
        known.
    """

    saturated_share: float
    high_share: float
    low_share: float
    contrast: float
    speckle_px: float | None
    cover: float | None
    match_sigma_px: float | None
    match_worst_px: float | None
    subset_px: int
    histogram: tuple[float, ...] = ()
    fastest_mm_per_s: float | None = None


@dataclass(frozen=True, slots=True)
class LightCamera:
    """The light in one camera's pictures.

    fill, ground
        Level of the bright and the dark part over the clipping level, 0..1 (of the plate, or of the
        brightest and darkest hundredth of a specimen's frame). `goal_low`, `goal_high`: wished.
    estimated
        Where the bright part stands, had it not clipped; above 1 when it clips.
    stops
        Change advised, + brighter; 0: right. None: nothing to judge by.
    exposure_ms, gain_db
        As the source tells, or None. `advised_ms`, `advised_gain_db`: what the advice comes to.
    clip_seen
        True when a pile-up in the histogram showed the clipping level.
    """

    camera: str
    fill: float | None = None
    ground: float | None = None
    goal_low: float = 0.0
    goal_high: float = 1.0
    estimated: float | None = None
    stops: float | None = None
    exposure_ms: float | None = None
    gain_db: float | None = None
    advised_ms: float | None = None
    advised_gain_db: float | None = None
    clip_level: float | None = None
    clip_seen: bool = False
    saturated_share: float | None = None
    saturated_in_dots: float | None = None
    saturated_outside: float | None = None
    evenness: float | None = None
    glare: tuple[GlareMark, ...] = ()
    specimen: SpecimenLight | None = None


@dataclass(frozen=True, slots=True)
class Standstill:
    """What watching a still scene showed, per camera: a `ShakeCause` value, or ``"unknown"``, and the
    strengths (share of brightness; px rms; px)."""

    camera: str
    cause: str
    others: tuple[str, ...] = ()
    flicker_share: float = 0.0
    vibration_px: float = 0.0
    step_px: float = 0.0
    shimmer_px: float = 0.0


@dataclass(frozen=True, slots=True)
class LightSetup:
    """The Light step. `subject`: ``"plate"`` or ``"specimen"``; `setting`: ``""``, ``"setting"``,
    ``"set"`` or ``"gave up"`` (the exposure loop); `watching`: frames still to come of a standstill
    watch, 0 when none runs."""

    subject: str = "plate"
    cameras: tuple[LightCamera, ...] = ()
    findings: tuple[Finding, ...] = ()
    can_set: bool = False
    setting: str = ""
    setting_shots: int = 0
    watching: int = 0
    standstill: tuple[Standstill, ...] = ()


@dataclass(frozen=True, slots=True)
class RoomView:
    """How the plate sits in one picture as held now; see ``measure.lighting.PlateRoom``."""

    camera: str
    coverage: float
    verdict: str
    room_to_tilt_deg: float
    sharp_tilt_deg: float | None


@dataclass(frozen=True, slots=True)
class AimView:
    """Aim of a camera against the first one; see ``measure.lighting.Aim``. `say`: what to turn."""

    camera: str
    against: str
    shift_x_px: float
    shift_y_px: float
    height_px: float
    roll_deg: float
    overlap: float
    says: tuple[Say, ...] = ()
    by: str = "plate"
    """What the points came from: ``"plate"`` or ``"specimen"``."""


@dataclass(frozen=True, slots=True)
class WarmView:
    """The drift watch of a warming camera: `state` ``"settled"``, ``"drifting"``, ``"watching"``
    (too short yet) or ``"unseen"`` (nothing still in view)."""

    camera: str
    state: str
    drift_px_per_min: float | None = None
    minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class RigSetup:
    """The Rig step as far as pictures tell: room, aim, warmth."""

    rooms: tuple[RoomView, ...] = ()
    aims: tuple[AimView, ...] = ()
    warmth: tuple[WarmView, ...] = ()


@dataclass(frozen=True, slots=True)
class Setup:
    """What the pages of the Rig, Focus and Light steps show."""

    rig: RigSetup = field(default_factory=RigSetup)
    focus: FocusSetup = field(default_factory=FocusSetup)
    light: LightSetup = field(default_factory=LightSetup)
