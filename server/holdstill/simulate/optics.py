"""Cameras of the simulated rig: where they stand, how they project, how they defocus.

The formulas are written out here a second time on purpose: the simulator must not share its
projection with the solver it is used to check.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from holdstill.records import CameraDescription, FloatArray, Lens, Plate, Pose, Rig


def rotation_matrix(rotation_vector_rad: FloatArray) -> FloatArray:
    """Rotation matrix (3, 3) of a rotation vector (3,) in rad (Rodrigues' formula)."""
    v = np.asarray(rotation_vector_rad, dtype=np.float64)
    angle = float(np.linalg.norm(v))
    if angle < 1e-12:
        return np.eye(3) + _skew(v)
    k = _skew(v / angle)
    return np.asarray(np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k))


def rotation_vector(matrix: FloatArray) -> FloatArray:
    """Rotation vector (3,), rad, length 0..pi, of a rotation matrix (3, 3), by its quaternion."""
    m = np.asarray(matrix, dtype=np.float64)
    quads = np.array(
        [
            1 + m[0, 0] + m[1, 1] + m[2, 2],
            1 + m[0, 0] - m[1, 1] - m[2, 2],
            1 - m[0, 0] + m[1, 1] - m[2, 2],
            1 - m[0, 0] - m[1, 1] + m[2, 2],
        ]
    )
    wx, wy, wz = m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]
    xy, xz, yz = m[0, 1] + m[1, 0], m[0, 2] + m[2, 0], m[1, 2] + m[2, 1]
    rows = ((quads[0], wx, wy, wz), (wx, quads[1], xy, xz), (wy, xy, quads[2], yz), (wz, xz, yz, quads[3]))
    q = np.array(rows[int(np.argmax(quads))], dtype=np.float64)
    q = q / np.linalg.norm(q)
    if q[0] < 0:
        q = -q
    sine = float(np.linalg.norm(q[1:]))
    if sine < 1e-12:
        return np.asarray(2 * q[1:])
    return np.asarray(q[1:] / sine * 2 * np.arctan2(sine, q[0]))


def _skew(v: FloatArray) -> FloatArray:
    return np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])


def about_x(angle_deg: float) -> FloatArray:
    """Rotation matrix (3, 3) about x by `angle_deg`."""
    return rotation_matrix(np.array([np.radians(angle_deg), 0, 0]))


def about_y(angle_deg: float) -> FloatArray:
    """Rotation matrix (3, 3) about y by `angle_deg`."""
    return rotation_matrix(np.array([0, np.radians(angle_deg), 0]))


def about_z(angle_deg: float) -> FloatArray:
    """Rotation matrix (3, 3) about z by `angle_deg`."""
    return rotation_matrix(np.array([0, 0, np.radians(angle_deg)]))


def moved(points: FloatArray, pose_a_from_b: Pose) -> FloatArray:
    """Points (n, 3) of frame b in frame a, mm."""
    r, t = pose_a_from_b.arrays()
    return np.asarray(points @ rotation_matrix(r).T + t)


def after(pose_a_from_b: Pose, pose_b_from_c: Pose) -> Pose:
    """``pose_a_from_c``: first b from c, then a from b."""
    ra, ta = pose_a_from_b.arrays()
    rb, tb = pose_b_from_c.arrays()
    m = rotation_matrix(ra)
    return Pose.of(rotation_vector(m @ rotation_matrix(rb)), m @ tb + ta)


def back(pose_a_from_b: Pose) -> Pose:
    """``pose_b_from_a``."""
    r, t = pose_a_from_b.arrays()
    return Pose.of(-r, -rotation_matrix(r).T @ t)


def distorted(xy: FloatArray, lens: Lens) -> FloatArray:
    """Normalised image points (n, 2) after the lens's distortion.

    Radial k1, k2, k3 and tangential p1, p2 (Brown 1971; parameter order of OpenCV's manual).
    Stops meaning anything where the radial polynomial is no longer monotonic.
    """
    x, y = xy[..., 0], xy[..., 1]
    r2 = x * x + y * y
    radial = 1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
    return np.stack(
        [
            x * radial + 2 * lens.p1 * x * y + lens.p2 * (r2 + 2 * x * x),
            y * radial + lens.p1 * (r2 + 2 * y * y) + 2 * lens.p2 * x * y,
        ],
        axis=-1,
    )


def undistorted(xy: FloatArray, lens: Lens, rounds: int = 12) -> FloatArray:
    """Inverse of `distorted`, by fixed point: (n, 2) to (n, 2); below 1e-12 for bench lenses."""
    found = np.array(xy, dtype=np.float64)
    for _ in range(rounds):
        found = found + (xy - distorted(found, lens))
    return found


def projected(points_cam_mm: FloatArray, lens: Lens) -> FloatArray:
    """Pixels (n, 2) of points (n, 3) given in the camera's frame, mm (z > 0)."""
    flat = distorted(points_cam_mm[..., :2] / points_cam_mm[..., 2:], lens)
    return np.asarray(flat * np.array([lens.fx, lens.fy]) + np.array([lens.cx, lens.cy]))


def rays(pixels: FloatArray, lens: Lens) -> FloatArray:
    """Normalised undistorted image points (n, 2) of pixels (n, 2)."""
    xy = (np.asarray(pixels) - np.array([lens.cx, lens.cy])) / np.array([lens.fx, lens.fy])
    return undistorted(xy, lens)


def image_distance_mm(focal_mm: float, focus_mm: float) -> float:
    """Distance from lens to sharp image, mm: ``f s / (s - f)`` (OpenStax University Physics 3, 2.4)."""
    return focal_mm * focus_mm / (focus_mm - focal_mm)


def circle_of_confusion_mm(
    focal_mm: float, f_number: float, focus_mm: float, depth_mm: FloatArray
) -> FloatArray:
    """Diameter (mm, on the sensor) of a point's image at `depth_mm` when focused at `focus_mm`.

    ``c = f² |z − s| / (N z (s − f))``, thin lens, distances from the lens; equals the depth of field
    limits of Greenleaf, Photographic Optics (1950) pp 25-27.  Geometric only: diffraction apart.
    """
    z = np.asarray(depth_mm, dtype=np.float64)
    return np.asarray(focal_mm**2 * np.abs(z - focus_mm) / (f_number * z * (focus_mm - focal_mm)))


@dataclass(frozen=True, slots=True)
class SimCamera:
    """A simulated camera.

    lens
        True lens when focused at `set_focus_mm`. `pose_cam_from_rig`: true pose.
    focus_mm
        Where the focus ring stands now (mm from the lens). The image scale follows it a little
        ("breathing"), as with a simple lens moved as a whole.
    sharp_sigma_px
        Gaussian blur of a point in best focus: lens aberrations and diffraction, without the pixel.
    """

    name: str
    lens: Lens
    pose_cam_from_rig: Pose
    focal_mm: float
    pixel_um: float
    f_number: float
    set_focus_mm: float
    focus_mm: float
    sharp_sigma_px: float = 0.55

    def lens_now(self) -> Lens:
        """The lens with the focal length in px that belongs to the focus ring's place."""
        scale = image_distance_mm(self.focal_mm, self.focus_mm) / image_distance_mm(
            self.focal_mm, self.set_focus_mm
        )
        return replace(self.lens, fx=self.lens.fx * scale, fy=self.lens.fy * scale)

    def disc_px(self, depth_mm: FloatArray) -> FloatArray:
        """Diameter (px) of the defocus disc at depths (mm)."""
        return circle_of_confusion_mm(self.focal_mm, self.f_number, self.focus_mm, depth_mm) * (
            1e3 / self.pixel_um
        )

    def blur_sigma_px(self, depth_mm: FloatArray) -> FloatArray:
        """Gaussian-equivalent blur (px): a disc of diameter c has a sigma of c/4 per axis."""
        return np.asarray(np.hypot(self.disc_px(depth_mm) / 4, self.sharp_sigma_px))

    def project(self, points_rig_mm: FloatArray) -> FloatArray:
        """Pixels (n, 2) of points (n, 3) in the rig frame."""
        return projected(moved(points_rig_mm, self.pose_cam_from_rig), self.lens_now())


@dataclass(frozen=True, slots=True)
class SimRig:
    """The true rig: cameras that converge on one point, and where the bench's middle is.

    pose_rig_from_bench
        The bench frame has its origin at the crossing point, z along the mean viewing direction
        (away from the cameras), x right and y down as the cameras see it.
    """

    cameras: tuple[SimCamera, ...]
    stand_off_mm: float
    stereo_angle_deg: float
    pose_rig_from_bench: Pose

    def camera(self, name: str) -> SimCamera:
        """The camera called `name`. Raises KeyError when there is none."""
        for camera in self.cameras:
            if camera.name == name:
                return camera
        raise KeyError(name)

    def described(
        self, plate: Plate | None = None, volume_mm: tuple[float, float, float] | None = None
    ) -> Rig:
        """The rig as its owner would describe it: nominal values only."""
        return Rig(
            name="simulated rig",
            cameras=tuple(
                CameraDescription(
                    c.name, c.lens.size_px[0], c.lens.size_px[1], c.pixel_um, c.focal_mm, c.f_number
                )
                for c in self.cameras
            ),
            stand_off_mm=self.stand_off_mm,
            stereo_angle_deg=self.stereo_angle_deg,
            volume_mm=volume_mm,
            plate=plate,
        )


def window(camera: SimCamera, x0: int, y0: int, width: int, height: int) -> SimCamera:
    """The same camera read out over a part of its sensor only (region of interest)."""
    lens = replace(camera.lens, cx=camera.lens.cx - x0, cy=camera.lens.cy - y0, size_px=(width, height))
    return replace(camera, lens=lens)


def binned(camera: SimCamera, factor: int) -> SimCamera:
    """The same camera with `factor` x `factor` pixels read as one."""
    lens = camera.lens
    middle = (factor - 1) / 2
    small = replace(
        lens,
        fx=lens.fx / factor,
        fy=lens.fy / factor,
        cx=(lens.cx - middle) / factor,
        cy=(lens.cy - middle) / factor,
        size_px=(lens.size_px[0] // factor, lens.size_px[1] // factor),
    )
    return replace(camera, lens=small, pixel_um=camera.pixel_um * factor)


_DISTORTION: tuple[tuple[float, float, float, float], ...] = (
    (-0.104, 0.118, 0.00042, -0.00031),
    (-0.097, 0.095, -0.00028, 0.00047),
    (-0.110, 0.130, 0.00021, 0.00036),
    (-0.092, 0.088, -0.00037, -0.00022),
)
"""k1, k2, p1, p2 of each camera: what C-mount lenses of 12-25 mm typically show (common practice)."""


def converging(
    *,
    names: Sequence[str] = ("left", "right"),
    size_px: tuple[int, int] = (1280, 1024),
    pixel_um: float = 4.8,
    focal_mm: float = 16.0,
    f_number: float = 8.0,
    stand_off_mm: float = 550.0,
    stereo_angle_deg: float = 20.0,
    imperfect: bool = True,
) -> SimRig:
    """Cameras on an arc around the crossing point, evenly spread over `stereo_angle_deg`.

    The first camera's frame is the rig frame.  `imperfect`: distortion, off-centre principal
    points, unequal focal lengths and small mounting errors, different for each camera; False: an
    ideal rig for checks against formulas.
    """
    count = len(names)
    spread = np.linspace(-0.5, 0.5, count) * stereo_angle_deg if count > 1 else np.zeros(1)
    f_px = image_distance_mm(focal_mm, stand_off_mm) * 1e3 / pixel_um
    cameras: list[SimCamera] = []
    first_from_bench: Pose | None = None
    for number, (name, angle) in enumerate(zip(names, spread, strict=True)):
        turn = about_y(float(-angle))  # bench from camera: the left camera looks to the right
        sway = _mounting_error(number) if imperfect else np.eye(3)
        cam_from_bench_r = sway @ turn.T
        t = sway @ np.array([0, 0, stand_off_mm])
        cam_from_bench = Pose.of(rotation_vector(cam_from_bench_r), t)
        if first_from_bench is None:
            first_from_bench = cam_from_bench
        cameras.append(
            SimCamera(
                name,
                _lens(number, f_px, size_px, imperfect),
                after(cam_from_bench, back(first_from_bench)),
                focal_mm,
                pixel_um,
                f_number,
                stand_off_mm,
                stand_off_mm,
            )
        )
    assert first_from_bench is not None
    return SimRig(tuple(cameras), stand_off_mm, stereo_angle_deg if count > 1 else 0.0, first_from_bench)


def _mounting_error(number: int) -> FloatArray:
    """Small aiming and roll errors of a rig set up by hand, degrees to matrices."""
    aim = ((0.12, -0.18, 0.25), (-0.15, 0.10, -0.35), (0.08, 0.14, 0.15), (-0.06, -0.12, 0.30))[number % 4]
    return about_x(aim[0]) @ about_y(aim[1]) @ about_z(aim[2])


def _lens(number: int, f_px: float, size_px: tuple[int, int], imperfect: bool) -> Lens:
    cx, cy = (size_px[0] - 1) / 2, (size_px[1] - 1) / 2
    if not imperfect:
        return Lens(f_px, f_px, cx, cy, size_px=size_px)
    k1, k2, p1, p2 = _DISTORTION[number % len(_DISTORTION)]
    share = (
        (0.0021, 0.006, -0.009),
        (-0.0034, -0.008, 0.005),
        (0.001, 0.004, 0.007),
        (-0.002, -0.005, -0.004),
    )
    df, dx, dy = share[number % 4]
    f = f_px * (1 + df)
    return Lens(f, f * 1.0002, cx + dx * size_px[0], cy + dy * size_px[1], k1, k2, p1, p2, 0.0, size_px)


def demo_rig() -> SimRig:
    """The demo's rig: two 1280x1024 cameras of 4.8 um, 16 mm at f/8, 550 mm, 20 degrees."""
    return converging()


def reference_rig() -> SimRig:
    """The reference rig of the figures in the docs: 2448x2048 of 3.45 um, 25 mm, 700 mm, 20 degrees."""
    return converging(size_px=(2448, 2048), pixel_um=3.45, focal_mm=25.0, stand_off_mm=700.0)
