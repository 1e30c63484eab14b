"""What the coach says: cues, orders, troubles with their remedies.

Sides in the values (``side``, ``place``) are given as the cameras see them; ``say`` turns them to
the operator's.  Every headline is short enough for letters that can be read at two metres.
"""

from __future__ import annotations

from holdstill.records import Instruction, Lean, Order, Part, Place, Say, Trouble

WORDS: dict[str, str] = {
    # one move at a time
    "cue.roll.lying": "Hold the plate wide",
    "cue.roll.upright": "Hold the plate tall",
    "cue.reach.middle": "Go to the middle distance",
    "cue.reach.nearer": "Bring it nearer the cameras",
    "cue.reach.farther": "Take it farther away",
    "cue.place.centre": "Move to the middle",
    "cue.place.top": "Move it up",
    "cue.place.bottom": "Move it down",
    "cue.place.side": "Move to your {side}",
    "cue.place.corner": "Move to your {place}",
    "cue.lean.flat": "Face it straight at the cameras",
    "cue.lean.top": "Tip the top toward the cameras",
    "cue.lean.bottom": "Tip the bottom toward the cameras",
    "cue.lean.side": "Turn the {side} side toward the cameras",
    "cue.still": "Hold still",
    # one quieter line under the move
    "cue.roll.lying.detail": "long edges level",
    "cue.roll.upright.detail": "long edges upright",
    "cue.reach.middle.detail": "where the plate is sharpest",
    "cue.reach.nearer.detail": "until the dots almost fill the pictures",
    "cue.reach.farther.detail": "until there is room all around it",
    "cue.place.centre.detail": "the same ground on every side",
    "cue.place.edge.detail": "until the dots almost touch the edge",
    "cue.place.corner.detail": "until the dots almost touch both edges",
    "cue.lean.flat.detail": "no edge ahead of another",
    "cue.lean.detail": "about {lean_deg:.0f} degrees",
    "cue.still.detail": "the view is taken by itself",
    # the one short order
    "order.show plate": "Show the plate",
    "order.move": "Keep going",
    "order.a little more": "A little more",
    "order.back a little": "Back a little",
    "order.hold still": "Hold still",
    "order.kept": "Kept",
    "order.wait": "Wait",
    "order.paused": "Paused",
    "order.done": "Done",
    # troubles: headline, the same with its camera, remedy, and a word or two for lists
    "trouble.no frames": "No pictures arrive",
    "trouble.no frames.in": "No pictures from camera {camera}",
    "trouble.no frames.remedy": "Check the cameras' power and cables; if a program sends the pictures, see that it runs.",
    "trouble.no frames.short": "no pictures",
    "trouble.bad file": "A picture can't be read",
    "trouble.bad file.in": "A picture from camera {camera} can't be read",
    "trouble.bad file.remedy": "Take the shot again. If it repeats, check the file type the camera saves.",
    "trouble.bad file.short": "unreadable file",
    "trouble.mismatch": "The pictures have changed",
    "trouble.mismatch.in": "Camera {camera} has changed its pictures",
    "trouble.mismatch.remedy": "Set size and bit depth back to what they were, or start a new session.",
    "trouble.mismatch.short": "size or depth changed",
    "trouble.partner missing": "One picture is missing",
    "trouble.partner missing.in": "Camera {camera} missed the shot",
    "trouble.partner missing.remedy": "Check that camera's trigger, then take the shot again.",
    "trouble.partner missing.short": "partner missing",
    "trouble.unsynchronised": "The cameras fired apart",
    "trouble.unsynchronised.in": "Camera {camera} fired late",
    "trouble.unsynchronised.remedy": "Rest the plate on something, or trigger all cameras from one signal.",
    "trouble.unsynchronised.short": "fired apart",
    "trouble.too dark": "Too dark",
    "trouble.too dark.in": "Too dark in camera {camera}",
    "trouble.too dark.remedy": "Raise the exposure, or bring the lamps nearer.",
    "trouble.too dark.short": "too dark",
    "trouble.too bright": "Too bright",
    "trouble.too bright.in": "Too bright in camera {camera}",
    "trouble.too bright.remedy": "Lower the exposure, or take the lamps back.",
    "trouble.too bright.short": "too bright",
    "trouble.no plate": "Show the plate",
    "trouble.no plate.in": "Camera {camera} can't find the plate",
    "trouble.no plate.remedy": "Hold its printed side to the cameras, all of it in every picture.",
    "trouble.no plate.short": "no plate",
    "trouble.wrong plate": "This is another plate",
    "trouble.wrong plate.in": "Camera {camera} sees another plate",
    "trouble.wrong plate.remedy": "Use the plate this session began with, or start a new session.",
    "trouble.wrong plate.short": "another plate",
    "trouble.turned": "Turn it the other way up",
    "trouble.turned.in": "Turn it the other way up",
    "trouble.turned.remedy": "Turn the plate half round, so that it stands as before.",
    "trouble.turned.short": "other way up",
    "trouble.one camera": "Not every camera sees it",
    "trouble.one camera.in": "Camera {camera} can't see it",
    "trouble.one camera.remedy": "Move toward the middle until every picture shows the plate.",
    "trouble.one camera.covered.remedy": "Its picture is dark: take the cap or the hand from its lens.",
    "trouble.one camera.short": "not in every picture",
    "trouble.half out": "Half out of the picture",
    "trouble.half out.in": "Half out of camera {camera}",
    "trouble.half out.remedy": "Bring the whole plate back into every picture.",
    "trouble.half out.side.remedy": "Bring it back in from the {place}.",
    "trouble.half out.short": "half out",
    "trouble.glare": "Glare on the plate",
    "trouble.glare.in": "Glare in camera {camera}",
    "trouble.glare.remedy": "Tip the plate a little until the bright patch leaves it.",
    "trouble.glare.side.remedy": "Tip the plate a little: the bright patch sits at the {place}.",
    "trouble.glare.tip.side.remedy": "Bring the {side} side a little toward the cameras.",
    "trouble.glare.tip.top.remedy": "Tip the top a little toward the cameras.",
    "trouble.glare.tip.bottom.remedy": "Tip the bottom a little toward the cameras.",
    "trouble.glare.short": "glare",
    "trouble.shadow": "A shadow on the plate",
    "trouble.shadow.in": "A shadow in camera {camera}",
    "trouble.shadow.remedy": "Stand aside so that the lamps reach all of it.",
    "trouble.shadow.side.remedy": "Stand aside: the shadow falls on the {place}.",
    "trouble.shadow.short": "shadow",
    "trouble.finger": "A finger covers dots",
    "trouble.finger.in": "A finger in camera {camera}",
    "trouble.finger.remedy": "Hold it by the rim, fingers behind.",
    "trouble.finger.side.remedy": "Move the finger at the {place}; hold it by the rim.",
    "trouble.finger.short": "finger",
    "trouble.moved": "It moved",
    "trouble.moved.in": "It moved",
    "trouble.moved.remedy": "Rest your elbows and hold until the chime.",
    "trouble.moved.shutter.remedy": "Set the exposure to {longest_ms:.1f} ms or less, or rest the plate on something.",
    "trouble.moved.short": "moved",
    "trouble.blurred": "Blurred by motion",
    "trouble.blurred.in": "Blurred in camera {camera}",
    "trouble.blurred.remedy": "Hold longer before the shot, or shorten the exposure.",
    "trouble.blurred.short": "motion blur",
    "trouble.defocused": "Out of focus",
    "trouble.defocused.in": "Out of focus in camera {camera}",
    "trouble.defocused.remedy": "Come back toward the middle distance.",
    "trouble.defocused.short": "out of focus",
    "trouble.same as before": "Same as before",
    "trouble.same as before.in": "Same as before",
    "trouble.same as before.remedy": "Follow the cue to a new pose.",
    "trouble.same as before.short": "nothing new",
}

_CORNERS = (Place.UPPER_LEFT, Place.UPPER_RIGHT, Place.LOWER_LEFT, Place.LOWER_RIGHT)


def cue_headline(instruction: Instruction, part: Part) -> Say:
    """The one move asked for now, as a sentence of at most seven words.

    Sides travel as the cameras see them and are turned to the operator's by ``say``.
    """
    if part is Part.ROLL:
        return Say(f"cue.roll.{instruction.roll.value}")
    if part is Part.REACH:
        return Say(f"cue.reach.{instruction.reach.value}")
    if part is Part.PLACE:
        if instruction.place in _CORNERS:
            return Say("cue.place.corner", {"place": instruction.place.value})
        if instruction.place in (Place.LEFT, Place.RIGHT):
            return Say("cue.place.side", {"side": instruction.place.value})
        return Say(f"cue.place.{instruction.place.value}")
    if part is Part.LEAN:
        if instruction.lean in (Lean.LEFT, Lean.RIGHT):
            return Say("cue.lean.side", {"side": instruction.lean.value})
        return Say(f"cue.lean.{instruction.lean.value}")
    return Say("cue.still")


def cue_detail(instruction: Instruction, part: Part) -> Say:
    """How far the move goes, as one quieter line under the headline."""
    if part is Part.ROLL:
        return Say(f"cue.roll.{instruction.roll.value}.detail")
    if part is Part.REACH:
        return Say(f"cue.reach.{instruction.reach.value}.detail")
    if part is Part.PLACE:
        if instruction.place is Place.CENTRE:
            return Say("cue.place.centre.detail")
        kind = "corner" if instruction.place in _CORNERS else "edge"
        return Say(f"cue.place.{kind}.detail")
    if part is Part.LEAN:
        if instruction.lean is Lean.FLAT:
            return Say("cue.lean.flat.detail")
        return Say("cue.lean.detail", {"lean_deg": instruction.lean_deg})
    return Say("cue.still.detail")


def order_words(order: Order) -> Say:
    """The short order below the cue."""
    return Say(f"order.{order.value}")


def trouble_says(
    trouble: Trouble,
    camera: str | None,
    side: str | None,
    *,
    way: str | None = None,
    longest_ms: float | None = None,
) -> tuple[Say, Say]:
    """Headline and remedy of a trouble.

    camera: the camera that has it (for ``ONE_CAMERA``, ``NO_PLATE`` and ``PARTNER_MISSING``: the
    one that does *not* see it); None when all have it.  side: a ``Place`` value, as the cameras
    see it, where on the picture or plate it sits; None when unknown.  way: for ``GLARE`` the edge (a
    ``Place`` value) to bring toward the cameras, for ``ONE_CAMERA`` ``"covered"``.  longest_ms: for
    ``MOVED`` the exposure at which these hands would do.
    """
    key = f"trouble.{trouble.value}"
    headline = Say(key) if camera is None else Say(f"{key}.in", {"camera": camera})
    if longest_ms is not None and trouble is Trouble.MOVED:
        return headline, Say(f"{key}.shutter.remedy", {"longest_ms": longest_ms})
    if way is not None and trouble is Trouble.GLARE:
        if way in (Place.LEFT, Place.RIGHT):
            return headline, Say(f"{key}.tip.side.remedy", {"side": way})
        return headline, Say(f"{key}.tip.{way}.remedy")
    if way is not None and f"{key}.{way}.remedy" in WORDS:
        return headline, Say(f"{key}.{way}.remedy")
    if side is not None and f"{key}.side.remedy" in WORDS:
        return headline, Say(f"{key}.side.remedy", {"place": side})
    return headline, Say(f"{key}.remedy")


def trouble_short(trouble: Trouble) -> Say:
    """The trouble in one to four words, for lists."""
    return Say(f"trouble.{trouble.value}.short")
