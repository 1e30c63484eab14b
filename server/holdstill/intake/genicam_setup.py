"""A GenICam camera set up as wished, whichever library reaches it."""

from __future__ import annotations

from holdstill.records import Say

from .camera import CameraTrouble, Opened, Wishes
from .genicam_features import EXPOSURE, GAIN, RATE, Features
from .packed import full_scale_of


class Setup:
    """Sets a camera up and, later, its exposure and gain."""

    def __init__(self, features: Features, wishes: Wishes, address: str) -> None:
        self.features = features
        self._wishes = wishes
        self._address = address
        self._exposure: str | None = None
        self._gain: str | None = None

    def begin(self, serial: str) -> Opened:
        """Set everything as wished; what the camera then is. Raises CameraTrouble."""
        features, wishes = self.features, self._wishes
        features.put("AcquisitionMode", "Continuous")
        self._choose_format()
        if wishes.region is not None and not features.region(*wishes.region):
            left, top, width, height = wishes.region
            region = f"{width}x{height}+{left}+{top}"
            raise CameraTrouble("no-region", for_good=True, address=self._address, region=region)
        automatic = features.switch_off_automatics()
        self._exposure, self._gain = features.first(EXPOSURE), features.first(GAIN)
        triggered = self._choose_trigger()  # before the exposure: a free rate holds it down
        if wishes.exposure_ms is not None and self._exposure is not None:
            features.put_within(self._exposure, 1000.0 * wishes.exposure_ms)
        if wishes.gain_db is not None and self._gain is not None:
            features.put_within(self._gain, wishes.gain_db)
        return self._opened(serial, automatic, triggered)

    def _opened(self, serial: str, automatic: tuple[str, ...], triggered: str) -> Opened:
        features = self.features
        exposures = features.limits(self._exposure) if self._exposure else None
        exposure_us = features.number(self._exposure)
        names = [features.text(n) for n in ("DeviceVendorName", "DeviceModelName")]
        size = (features.number("Width"), features.number("Height"))
        return Opened(
            what=" ".join([n for n in names if n] + ([serial] if serial else [])),
            size_px=(int(size[0]), int(size[1])) if size[0] and size[1] else None,
            exposure_ms=exposure_us / 1000.0 if exposure_us is not None else None,
            exposure_range_ms=(exposures[0] / 1000.0, exposures[1] / 1000.0) if exposures else None,
            gain_db=features.number(self._gain),
            gain_range_db=features.limits(self._gain) if self._gain else None,
            rate_hz=features.number(features.first(RATE)) if not triggered else None,
            automatic=automatic,
            triggered=triggered,
            note=Say("feed.note.gain-steps") if self._gain == "GainRaw" else None,
        )

    def _choose_format(self) -> None:
        """A grey pixel format: the one wished, the one the camera has, or its plainest."""
        features = self.features
        wished, now = self._wishes.pixel_format, features.text("PixelFormat") or ""
        if wished is None and full_scale_of(now) is not None:
            return
        known = [e for e in features.entries("PixelFormat") if full_scale_of(e) is not None]
        choice = wished or ("Mono8" if "Mono8" in known else next(iter(known), ""))
        if full_scale_of(choice) is None or not features.put("PixelFormat", choice):
            told = ", ".join(known) or "–"
            raise CameraTrouble(
                "no-format", for_good=True, address=self._address, wished=choice or now, known=told
            )

    def _choose_trigger(self) -> str:
        features, wished = self.features, self._wishes.trigger
        if wished == "software":
            if features.triggered("Software"):
                return "software"
            raise CameraTrouble("no-trigger", for_good=True, address=self._address)
        if wished == "hardware":
            lines = features.lines()
            now = features.text("TriggerSource") or ""
            line = now if now in lines else next(iter(lines), "")
            if line and features.triggered(line):
                return "hardware"
            raise CameraTrouble("no-line", for_good=True, address=self._address)
        features.free_running(self._wishes.rate_hz)
        return ""

    def set_exposure(self, exposure_ms: float) -> float:
        """Set the exposure; what the camera then has, ms. Raises CameraTrouble."""
        return self._set(self._exposure, 1000.0 * exposure_ms) / 1000.0

    def set_gain(self, gain_db: float) -> float:
        """Set the gain; what the camera then has, dB (or steps, where it counts so)."""
        return self._set(self._gain, gain_db)

    def _set(self, name: str | None, value: float) -> float:
        wanted = round(value) if name == "GainRaw" else value
        if name is None or not self.features.put_within(name, wanted):
            raise CameraTrouble("not-settable", address=self._address)
        got = self.features.number(name)
        return got if got is not None else wanted


class SetByFeatures:
    """A camera whose exposure and gain are GenICam features: what both kinds of driver have alike."""

    address: str
    _setup: Setup | None = None

    def set_exposure(self, exposure_ms: float) -> float:
        """Set the exposure; what the camera then has, ms. Raises CameraTrouble."""
        return self._open_setup().set_exposure(exposure_ms)

    def set_gain(self, gain_db: float) -> float:
        """Set the gain; what the camera then has, dB (or steps, where it counts so). Raises CameraTrouble."""
        return self._open_setup().set_gain(gain_db)

    def _open_setup(self) -> Setup:
        if self._setup is None:
            raise CameraTrouble("gone", address=self.address)
        return self._setup
