"""A camera that needs its maker's own driver: a GenTL producer file (``.cti``), as a `Camera`."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from .camera import CameraTrouble, Grab, Losses, Opened, Wishes
from .genicam_features import Features
from .genicam_find import Listed
from .genicam_setup import SetByFeatures, Setup
from .packed import full_scale_of, unpack

PATH_VARIABLE = "GENICAM_GENTL64_PATH"
"""Where producers are announced (GenTL 1.6, section 3)."""


def library() -> Any:
    """The extra's library. Raises CameraTrouble when it is not installed."""
    try:
        from harvesters import core
    except ImportError:
        raise CameraTrouble("no-producer-extra", for_good=True) from None
    return core


def producer_files(given: Sequence[str] = ()) -> list[str]:
    """Producer files: those given, else those that the makers' installers announced."""
    if given:
        return list(given)
    folders = [Path(p) for p in os.environ.get(PATH_VARIABLE, "").split(os.pathsep) if p]
    return sorted(str(f) for folder in folders if folder.is_dir() for f in folder.glob("*.cti"))


def _harvester(files: Sequence[str]) -> Any:
    core = library()
    if not files:
        raise CameraTrouble("no-producer", for_good=True)
    harvester = core.Harvester()
    for file in files:
        try:
            harvester.add_file(file, check_existence=True, check_validity=True)
        except Exception as trouble:
            harvester.reset()
            raise CameraTrouble(
                "bad-producer", for_good=True, file=file, reason=str(trouble)[:120]
            ) from trouble
    harvester.update()
    return harvester


def producer_listed(given: Sequence[str] = ()) -> list[Listed]:
    """Every camera that the producer files know. Raises CameraTrouble."""
    harvester = _harvester(producer_files(given))
    try:
        out = []
        for info in harvester.device_info_list:
            told = info.property_dict
            what = f"{told.get('vendor')} {told.get('model')}, serial {told.get('serial_number')}"
            address = f"producer:{told.get('serial_number')}"
            free = told.get("access_status") in (1, 2, None)  # GenTL 1.6: read-write, read-only
            why = None if free else CameraTrouble("held", address=address)
            out.append(Listed(address, what, why.trouble if why else None, why.remedy if why else None))
        return out
    finally:
        harvester.reset()


class _HarvestNodes:
    """A node map, as `Nodes`."""

    def __init__(self, node_map: Any) -> None:
        self._map = node_map

    def get(self, name: str) -> str:
        return str(getattr(self._map, name).to_string())

    def set(self, name: str, value: str) -> None:
        getattr(self._map, name).from_string(value)

    def has(self, name: str) -> bool:
        return bool(self._map.has_node(name)) and self._map.get_node(name).get_access_mode() >= 2

    def limits(self, name: str) -> tuple[float, float] | None:
        node = getattr(self._map, name)
        return float(node.min), float(node.max)

    def entries(self, name: str) -> Sequence[str]:
        return [str(s) for s in getattr(self._map, name).symbolics]


class ProducerCamera(SetByFeatures):
    """A `Camera` by its serial number, through the makers' producer files."""

    def __init__(self, address: str, wishes: Wishes | None = None) -> None:
        self.address = address
        self._wishes = wishes or Wishes()
        self._harvester: Any = None
        self._acquirer: Any = None
        self._frames = self._bad = 0

    def open(self) -> Opened:
        """Load the producers, open the camera, set it as wished, start. Raises CameraTrouble."""
        self._harvester = _harvester(producer_files(self._wishes.producers))
        try:
            self._acquirer = self._harvester.create({"serial_number": self.address})
        except ValueError as trouble:
            others = ", ".join(str(i.serial_number) for i in self._harvester.device_info_list) or "–"
            self.close()
            raise CameraTrouble("not-found", address=self.address, others=others) from trouble
        except Exception as trouble:
            self.close()
            raise CameraTrouble("held", address=self.address) from trouble
        features = Features(_HarvestNodes(self._acquirer.remote_device.node_map), (Exception,))
        self._setup = Setup(features, self._wishes, self.address)
        try:
            opened = self._setup.begin(self.address)
            self._acquirer.start()
        except CameraTrouble:
            self.close()
            raise
        except Exception as trouble:
            self.close()
            raise CameraTrouble("unreachable", address=self.address, reason=str(trouble)[:120]) from trouble
        return opened

    def read(self, timeout_s: float) -> Grab | None:
        """The next frame, or None when none came in time. Raises CameraTrouble."""
        acquirer = self._acquirer
        if acquirer is None:
            raise CameraTrouble("gone", address=self.address)
        try:
            buffer = acquirer.fetch(timeout=timeout_s)
        except Exception as trouble:
            if "timeout" in type(trouble).__name__.lower():
                return None
            raise CameraTrouble("gone", address=self.address) from trouble
        arrived_s = time.monotonic()
        try:
            return self._grab(buffer, arrived_s)
        finally:
            buffer.queue()

    def _grab(self, buffer: Any, arrived_s: float) -> Grab | None:
        part = buffer.payload.components[0]
        scale = full_scale_of(part.data_format)
        if scale is None:
            raise CameraTrouble("no-format", address=self.address, wished=part.data_format, known="Mono8")
        data = np.asarray(part.data)
        if data.size == part.width * part.height and data.dtype in (np.uint8, np.uint16):
            image = data.reshape(part.height, part.width).copy()
        else:
            try:
                image = unpack(data.view(np.uint8), part.data_format, part.width, part.height)
            except ValueError:
                self._bad += 1  # an incomplete frame
                return None
        self._frames += 1
        camera_s = number = None
        with contextlib.suppress(Exception):  # producers may leave either out
            camera_s = buffer.timestamp_ns / 1e9
        with contextlib.suppress(Exception):
            number = int(buffer.module.frame_id)
        return Grab(image, scale, arrived_s, camera_s, number)

    def losses(self) -> Losses:
        """Frames that came whole and that did not; producers tell nothing of packets."""
        return Losses(frames=self._frames, frames_lost=self._bad)

    def trigger(self) -> None:
        """Take one frame now."""
        if self._acquirer is None:
            raise CameraTrouble("gone", address=self.address)
        try:
            self._acquirer.remote_device.node_map.TriggerSoftware.execute()
        except Exception as trouble:
            raise CameraTrouble("gone", address=self.address) from trouble

    def close(self) -> None:
        """Stop, put every feature back as it was, unload. Never raises."""
        acquirer, harvester, setup = self._acquirer, self._harvester, self._setup
        self._acquirer = self._harvester = self._setup = None
        if acquirer is not None:
            with contextlib.suppress(Exception):
                acquirer.stop()
            if setup is not None:
                setup.features.put_back()
            with contextlib.suppress(Exception):
                acquirer.destroy()
        if harvester is not None:
            with contextlib.suppress(Exception):
                harvester.reset()
