"""Which coded plate is this? A picture in, the plate's own description out."""

from __future__ import annotations

import numpy as np

from holdstill.records import Nothing, Picture, Plate

from .blobs import find_blobs, levels, reduced, too_small
from .coded import FREE_IDENTITY, IDS_PER_PLATE, standard_plate
from .codes import read_cells, recognise
from .lattice import grow
from .sites import look_at_sites

_LEAST_SPOTS = 12


def identify(image: Picture, *, full_scale: int) -> Plate | Nothing:
    """The coded plate in a picture, by its own markers: identity, size and pitch.

    image: uint8 or uint16 (H, W).  One marker read without a wrong bit is enough where it belongs to
    a standard plate.  Returns a `Plate`, or Nothing ``"no plate"``, ``"no marker"``, ``"picture too small"``
    or ``"free identity"`` (a plate of special size: its SPEC must say how large it is).
    """
    small = too_small(image)
    if small is not None:
        return small
    height, width = image.shape
    lattice_seen = 0
    for factor in levels((width, height)):
        level = reduced(image, factor, full_scale)
        for dark in (True, False):
            blobs = find_blobs(level, dark=dark)
            size = (level.grey.shape[1], level.grey.shape[0])
            lattice = grow(blobs, size, enough=len(blobs) // 2 + _LEAST_SPOTS, at_least=_LEAST_SPOTS)
            if lattice is None:
                continue
            lattice_seen = max(lattice_seen, len(lattice))
            sites = look_at_sites(level, lattice, 2)
            v, u = np.nonzero(~sites.dot & sites.inside)
            cells = (np.stack([u, v], axis=1) + sites.low).astype(np.int32)
            full = lattice.view.enlarged(level.factor)
            votes = recognise(read_cells(image, full, cells), np.arange(1000, dtype=np.int32), most_wrong=0)
            if votes:
                plates = [vote.marker_id // IDS_PER_PLATE for vote in votes]
                number = max(set(plates), key=plates.count)
                plate = standard_plate(number)
                return plate if plate is not None else Nothing("free identity", {"identity_seen": number})
    if lattice_seen:
        return Nothing("no marker", {"spots": lattice_seen, "free_from": FREE_IDENTITY})
    return Nothing("no plate", {"needed": _LEAST_SPOTS})
