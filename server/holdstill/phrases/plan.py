"""Why a pose is asked for, and what keeps the coach from asking for one."""

from __future__ import annotations

WORDS: dict[str, str] = {
    "why.first": "the easy one first",
    "why.corner": "no dots yet in that corner",
    "why.edge": "no dots yet along that edge",
    "why.lean": "no view yet leans this way",
    "why.roll": "no view yet with the plate this way round",
    "why.depth": "no view yet at this distance",
    "why.most": "brings the most now",
    "why.proof": "unlike the views so far: a fair test",
    "why.customary": "next in the customary list",
    "no reachable pose": "No pose keeps every dot sharp in every picture. Use a smaller plate, or step back.",
    "lamp.move.side": "The lamp on your {side} glares where views are still needed. Move it farther out.",
    "lamp.move.above": "The lamp above glares where views are still needed. Move it higher.",
    "lamp.move.below": "The lamp below glares where views are still needed. Move it lower.",
    "lamp.move.behind the cameras": "A lamp by the cameras glares where views are needed. Move it far aside.",
    "advice.lamp": "A lamp is in the way",
    "panel.lamps": "Lamps that glare",
    "panel.lamps.words": "From above: the plate, the cameras, and",
    "panel.lamps.guilty": "in the way",
    "lamp.at.side": "lamp on your {side}",
    "lamp.at.above": "lamp above",
    "lamp.at.below": "lamp below",
    "lamp.at.behind the cameras": "lamp by the cameras",
}
