"""The quick way to a picture, for live use: the plate as a blurred texture, pulled into place."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from holdstill.records import FloatArray, Picture, Pose

from .hand import laid, layers
from .optics import SimCamera, after, image_distance_mm, moved, projected, rays, rotation_matrix
from .scene import PlateBody, texture
from .sensor import Sensor
from .setting import Setting, light_on_plate

Level = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Undistorted rays of a coarse grid of pixels, one node wider than the picture on every side.

    rays_xy: (rows, columns, 2); node (j, i) belongs to pixel ``(step (i - 1) + (step - 1) / 2, ...)``,
    so that a plain enlargement by `step` puts it back in place.
    """

    step: int
    size_px: tuple[int, int]
    rays_xy: FloatArray

    @classmethod
    def of(cls, camera: SimCamera, step: int = 4) -> Grid:
        """The grid of a camera as it is focused now."""
        width, height = camera.lens.size_px
        xs = step * np.arange(-1, -(-width // step) + 1) + (step - 1) / 2
        ys = step * np.arange(-1, -(-height // step) + 1) + (step - 1) / 2
        pixels = np.stack(np.meshgrid(xs, ys), axis=-1)
        flat = rays(pixels.reshape(-1, 2), camera.lens_now())
        return cls(step, (width, height), flat.reshape(pixels.shape))

    def pixels(self) -> FloatArray:
        """Pixel coordinates of the nodes, (rows, columns, 2)."""
        rows, columns = self.rays_xy.shape[:2]
        xs = self.step * np.arange(-1, columns - 1) + (self.step - 1) / 2
        ys = self.step * np.arange(-1, rows - 1) + (self.step - 1) / 2
        return np.stack(np.meshgrid(xs, ys), axis=-1)

    def on_plane(
        self, pose_cam_from_plane: Pose, rows: slice = slice(None), columns: slice = slice(None)
    ) -> FloatArray:
        """Where the nodes' rays meet the plane z = 0, mm in the plane's frame, (rows, columns, 2)."""
        r, t = pose_cam_from_plane.arrays()
        m = rotation_matrix(r)
        inverse = np.linalg.inv(np.stack([m[:, 0], m[:, 1], t], axis=1))
        part = self.rays_xy[rows, columns]
        x, y = part[..., 0], part[..., 1]
        w = 1.0 / (inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2])
        return np.stack(
            [
                (inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]) * w,
                (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) * w,
            ],
            axis=-1,
        )

    def enlarged(self, nodes: NDArray[np.float32]) -> Level:
        """Nodes (rows, columns[, k]) to full size, cropped to the picture."""
        big = cv2.resize(
            nodes, (nodes.shape[1] * self.step, nodes.shape[0] * self.step), interpolation=cv2.INTER_LINEAR
        )
        width, height = self.size_px
        return np.asarray(
            big[self.step : self.step + height, self.step : self.step + width], dtype=np.float32
        )

    def plane_full(self, camera: SimCamera, pose_rig_from_bench: Pose, plane: Pose) -> tuple[Level, Level]:
        """Plane coordinates (mm) seen by every pixel: x and y, each float32 (h, w)."""
        pose = after(after(camera.pose_cam_from_rig, pose_rig_from_bench), plane)
        xy = self.on_plane(pose)
        return self.enlarged(xy[..., 0].astype(np.float32)), self.enlarged(xy[..., 1].astype(np.float32))


@dataclass(slots=True, eq=False)
class QuickCamera:
    """A camera made ready for quick pictures of one plate: grids, textures by blur, the backdrop.

    backdrop: the view without plate, (h, w) float32, at the focus set; white = 1.
    """

    camera: SimCamera
    thing: PlateBody
    backdrop: Level
    _px_per_mm: float = 0.0
    _texture: NDArray[np.uint8] = field(default_factory=lambda: np.zeros((1, 1), np.uint8))
    _texture_from_mm: FloatArray = field(default_factory=lambda: np.eye(3))
    _blurred: dict[int, NDArray[np.uint8]] = field(default_factory=dict)
    _grids: tuple[Grid, Grid] | None = None
    _grid_focus_mm: float = -1.0
    _seen_backdrop: tuple[tuple[float, float], Level] | None = None

    def __post_init__(self) -> None:
        depth = abs(float(self.camera.set_focus_mm))
        # texels a pixel: at 1.5, pulling it into place alone put dots 2.7 mpx off; at 2 it is 1
        self._px_per_mm = 2.0 * self.camera.lens.fx / depth
        picture, self._texture_from_mm = texture(self.thing, self._px_per_mm)
        self._texture = np.round(picture * 255).astype(np.uint8)

    def focused(self, focus_mm: float, f_number: float | None = None) -> None:
        """Turn the focus ring (and the aperture)."""
        aperture = self.camera.f_number if f_number is None else f_number
        if focus_mm != self.camera.focus_mm or aperture != self.camera.f_number:
            self.camera = replace(self.camera, focus_mm=focus_mm, f_number=aperture)

    def replaced(self, camera: SimCamera) -> None:
        """Take over a camera that was knocked or refocused."""
        self.camera = camera
        self._grid_focus_mm = -1.0

    def grids(self) -> tuple[Grid, Grid]:
        """Fine (4 px) and coarse (16 px) grid for the focus as it is."""
        if self._grids is None or abs(self._grid_focus_mm - self.camera.focus_mm) > 0.2:
            self._grids = (Grid.of(self.camera, 4), Grid.of(self.camera, 16))
            self._grid_focus_mm = self.camera.focus_mm
        return self._grids

    def level(self, setting: Setting, motion_px: tuple[float, float] = (0.0, 0.0)) -> Level:
        """Level picture (h, w) float32, 1 = full well. motion_px: travel during the exposure."""
        picture = self._background(setting.exposure)
        pose = setting.pose_rig_from_plate
        if pose is None:
            return picture
        cam_from_plate = setting.pose_cam_from_plate(self.camera)
        corners = self.thing.surface_mm(_edge_points(self.thing.outline_mm))
        cam = moved(corners, cam_from_plate)
        if np.any(cam[:, 2] < 60):
            return picture
        defocus = float(self.camera.blur_sigma_px(cam[:, 2].mean()[None])[0])
        back_limbs = layers(setting.limbs, self.camera, pose, 1.0, front=False, blur_px=defocus)
        laid(picture, back_limbs, setting.exposure)
        rim = projected(cam, self.camera.lens_now())
        box = self._box(rim)
        if box is None:
            return picture
        self._plate(picture, setting, rim, box, motion_px)
        front = layers(
            setting.limbs, self.camera, pose, 1.0, front=True, blur_px=defocus + abs(motion_px[0]) / 4
        )
        laid(picture, front, setting.exposure)
        return picture

    def _background(self, exposure: float) -> Level:
        camera = self.camera
        stands = (round(camera.focus_mm, 1), camera.f_number)
        if self._seen_backdrop is None or self._seen_backdrop[0] != stands:
            sigma = float(camera.blur_sigma_px(np.array([camera.set_focus_mm]))[0])
            extra = np.sqrt(max(sigma**2 - camera.sharp_sigma_px**2, 0.0))
            seen = self.backdrop
            if extra > 0.05:
                scale = image_distance_mm(camera.focal_mm, camera.focus_mm) / image_distance_mm(
                    camera.focal_mm, camera.set_focus_mm
                )
                middle = np.array([(s - 1) / 2 for s in camera.lens.size_px])
                turn = np.array([[scale, 0, middle[0] * (1 - scale)], [0, scale, middle[1] * (1 - scale)]])
                moved_in = cv2.warpAffine(seen, turn, camera.lens.size_px, borderMode=cv2.BORDER_REPLICATE)
                seen = np.asarray(cv2.GaussianBlur(moved_in, (0, 0), extra), dtype=np.float32)
            self._seen_backdrop = (stands, seen)
        return np.asarray(self._seen_backdrop[1] * np.float32(exposure))

    def _box(self, rim: FloatArray) -> tuple[int, int, int, int] | None:
        """Node-aligned box (x0, y0, x1, y1) in px around the plate's rim, or None if out of sight."""
        width, height = self.camera.lens.size_px
        low, high = rim.min(axis=0) - 4, rim.max(axis=0) + 4
        x0, y0 = (int(max(v, 0)) // 4 * 4 for v in low)
        x1, y1 = min(int(high[0]) // 4 * 4 + 4, width), min(int(high[1]) // 4 * 4 + 4, height)
        return (x0, y0, x1, y1) if x1 - x0 > 8 and y1 - y0 > 8 else None

    def _plate(
        self,
        picture: Level,
        setting: Setting,
        rim: FloatArray,
        box: tuple[int, int, int, int],
        motion_px: tuple[float, float],
    ) -> None:
        cam_from_plate = setting.pose_cam_from_plate(self.camera)
        x0, y0, x1, y1 = box
        fine, coarse = self.grids()
        rows = slice(y0 // 4, -(-y1 // 4) + 2)
        columns = slice(x0 // 4, -(-x1 // 4) + 2)
        xy = fine.on_plane(cam_from_plate, rows, columns)
        scale = self._px_per_mm
        nodes = (xy * scale + self._texture_from_mm[:2, 2]).astype(np.float32)
        big = cv2.resize(nodes, (nodes.shape[1] * 4, nodes.shape[0] * 4), interpolation=cv2.INTER_LINEAR)
        where = big[4 : 4 + y1 - y0, 4 : 4 + x1 - x0]
        centre = moved(self.thing.surface_mm(self.thing.centre_mm()[None]), cam_from_plate)
        depth = float(centre[0, 2])
        share = cv2.remap(  # type: ignore[call-overload] # the stubs forbid the None that OpenCV documents
            self._texture_at(depth), where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        if np.hypot(*motion_px) > 0.35:
            share = cv2.filter2D(share, -1, motion_kernel(*motion_px))
        xy_coarse = coarse.on_plane(cam_from_plate)
        white, mirror = light_on_plate(
            setting, self.camera, xy_coarse.reshape(-1, 2), coarse.pixels().reshape(-1, 2)
        )
        shape = xy_coarse.shape[:2]
        exposure = setting.exposure
        whole = coarse.enlarged((white * (exposure / 255)).reshape(shape).astype(np.float32))
        plate = share.astype(np.float32)
        plate *= whole[y0:y1, x0:x1]
        if mirror.max(initial=0.0) > 1e-3:
            gloss = coarse.enlarged((mirror * exposure).reshape(shape).astype(np.float32))
            plate += gloss[y0:y1, x0:x1]
        _pasted(picture[y0:y1, x0:x1], plate, rim - (x0, y0))

    def _texture_at(self, depth_mm: float) -> NDArray[np.uint8]:
        """The texture blurred as the lens and the pixels blur at this distance.

        Steps of 6 %; the pixel's own aperture (variance 1/12) is in, what the interpolation adds
        (1/6 of a squared texture pixel) is out.
        """
        texture_per_px = self._px_per_mm * depth_mm / self.camera.lens_now().fx
        optical = float(self.camera.blur_sigma_px(np.array([depth_mm]))[0])
        variance = max((optical**2 + 1 / 12) * texture_per_px**2 - 1 / 6, 0.05)
        key = round(float(np.log(variance)) / 0.12)
        if key not in self._blurred:
            if len(self._blurred) > 24:
                self._blurred.clear()
            self._blurred[key] = np.asarray(
                cv2.GaussianBlur(self._texture, (0, 0), float(np.exp(key * 0.06))), dtype=np.uint8
            )
        return self._blurred[key]


def _pasted(under: Level, plate: Level, rim: FloatArray) -> None:
    """Lay the plate over what is behind it, in place; only the tiles along its rim are blended."""
    height, width = under.shape
    mask = np.zeros((height, width), dtype=np.uint8)
    middle = rim.mean(axis=0)
    inner = rim - (rim - middle) * (0.7 / np.linalg.norm(rim - middle, axis=1, keepdims=True))
    cv2.fillPoly(mask, [np.round(inner * 256).astype(np.int32)], 255, cv2.LINE_AA, 8)
    mask = np.asarray(cv2.blur(mask, (3, 3)), dtype=np.uint8)
    tiles: list[tuple[slice, slice, Level]] = []
    for a, b in zip(rim, np.roll(rim, -1, axis=0), strict=True):
        x0, y0 = np.clip(np.minimum(a, b) - 4, 0, None).astype(int)
        x1, y1 = (np.maximum(a, b) + 5).astype(int)
        rows, columns = slice(int(y0), min(int(y1), height)), slice(int(x0), min(int(x1), width))
        if rows.stop <= rows.start or columns.stop <= columns.start:
            continue
        share = mask[rows, columns].astype(np.float32) / np.float32(255)
        tile = under[rows, columns] + share * (plate[rows, columns] - under[rows, columns])
        tiles.append((rows, columns, tile.astype(np.float32)))
    cv2.copyTo(plate, mask, under)
    for rows, columns, tile in tiles:
        under[rows, columns] = tile


def motion_kernel(dx_px: float, dy_px: float) -> NDArray[np.float32]:
    """Line kernel of a travel (dx, dy) px during the exposure; sum 1, odd size, at most 41."""
    half = int(min(np.ceil(max(abs(dx_px), abs(dy_px)) / 2) + 1, 20))
    kernel = np.zeros((2 * half + 1, 2 * half + 1), dtype=np.float64)
    for t in np.linspace(-0.5, 0.5, 33):
        x = float(np.clip(dx_px * t, -half + 1, half - 1.001)) + half
        y = float(np.clip(dy_px * t, -half + 1, half - 1.001)) + half
        i, j = int(x), int(y)
        u, v = x - i, y - j
        kernel[j, i] += (1 - u) * (1 - v)
        kernel[j, i + 1] += u * (1 - v)
        kernel[j + 1, i] += (1 - u) * v
        kernel[j + 1, i + 1] += u * v
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _edge_points(corners: FloatArray, steps: int = 10) -> FloatArray:
    t = np.arange(steps) / steps
    following = np.roll(corners, -1, axis=0)
    return np.asarray((corners[:, None] + t[None, :, None] * (following - corners)[:, None]).reshape(-1, 2))


@dataclass(slots=True, eq=False)
class Grain:
    """A stock of unit noise, cut at a random place for every frame (quick, and good enough to see)."""

    size_px: tuple[int, int]
    rng: np.random.Generator
    _stock: Level = field(default_factory=lambda: np.zeros((1, 1), np.float32))

    def __post_init__(self) -> None:
        width, height = self.size_px
        self._stock = self.rng.standard_normal((height + 97, width + 131), dtype=np.float32)

    def cut(self) -> Level:
        """Unit noise (h, w), float32."""
        width, height = self.size_px
        y, x = int(self.rng.integers(0, 97)), int(self.rng.integers(0, 131))
        return self._stock[y : y + height, x : x + width]


def quick_exposed(level: Level, sensor: Sensor, grain: Grain | None) -> Picture:
    """Picture from a level, as `sensor.exposed` but with normal noise and no spill of charge.

    The noise follows the clipped level: ``σ² = K² (e + σ_d²)``, EMVA 1288 R4.0 Linear (from memory).
    """
    k = np.float32(sensor.gain_gray_per_e)
    gray = np.minimum(level, np.float32(1.0))
    gray *= np.float32(sensor.full_well_e) * k
    if grain is not None:
        noise = gray * k
        noise += np.float32((sensor.read_noise_e * k) ** 2)
        np.sqrt(noise, out=noise)
        noise *= grain.cut()
        gray += noise
    gray += np.float32(sensor.offset_gray)
    if sensor.bits <= 8:
        np.maximum(gray, np.float32(0), out=gray)
        return np.asarray(cv2.convertScaleAbs(gray), dtype=np.uint8)
    top = (1 << sensor.bits) - 1
    gray = np.clip(np.round(gray), 0, top)
    shift = 4 if sensor.shifted and sensor.bits == 12 else 0
    return (gray.astype(np.uint16) << shift).astype(np.uint16)
