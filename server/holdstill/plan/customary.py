"""The customary set of poses, for those who must follow it: ten about each axis, some in plane."""

from __future__ import annotations

from functools import lru_cache

from holdstill.records import Instruction, Lean, Place, Reach, Roll

_TILTS_DEG = (10.0, 15.0, 20.0, 25.0, 30.0)


@lru_cache(maxsize=1)
def customary() -> tuple[Instruction, ...]:
    """26 instructions in a fixed order: 10 tilts about each axis, 6 in plane.

    The tilts go from 10 to 30 degrees to either side, in the middle of the picture and at the
    middle distance; in plane the plate is shown flat in the middle, toward four sides, and
    upright.  Common practice: 20 to 30 views, about ten about each axis and some in plane.
    """

    def flat(place: Place, roll: Roll = Roll.LYING) -> Instruction:
        return Instruction(Lean.FLAT, 0.0, place, Reach.MIDDLE, roll)

    plane = [flat(Place.CENTRE)]
    plane += [flat(place) for place in (Place.LEFT, Place.RIGHT, Place.TOP, Place.BOTTOM)]
    plane.append(flat(Place.CENTRE, Roll.UPRIGHT))
    tilts = [
        Instruction(lean, degrees, Place.CENTRE, Reach.MIDDLE, Roll.LYING)
        for pair in ((Lean.LEFT, Lean.RIGHT), (Lean.TOP, Lean.BOTTOM))
        for degrees in _TILTS_DEG
        for lean in pair
    ]
    return (*plane, *tilts)
