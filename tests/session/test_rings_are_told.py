"""On the Light page a ring in a picture never stands without words, nor words of glare without a ring."""

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.limits import limit
from holdstill.records import GlarePatch, Rig
from holdstill.session.light import LightWatch, findings, light_setup
from holdstill.web.views import Renderer
from session.fabric import sighting
from session.test_setting_up import lit, shot
from web.scenes import scenes

SHARES = st.one_of(st.just(0.0), st.floats(0.0, 0.004), st.floats(0.004, 0.2))
PATCHES = st.lists(
    st.builds(GlarePatch, st.floats(0.0, 640.0), st.floats(0.0, 480.0), st.floats(1.0, 60.0), SHARES),
    max_size=4,
)
EYES = st.tuples(PATCHES, st.sampled_from((0.6, 0.9, 0.0, 0.01)), st.booleans())


@given(st.fixed_dictionaries({"left": EYES, "right": EYES}))
def test_rings_and_words_go_together(eyes: dict[str, tuple[list[GlarePatch], float, bool]]) -> None:
    report = shot(1, {c: lit(c, glare=tuple(glare), high_share=high) for c, (glare, high, _) in eyes.items()})
    seen = {c: sighting(c) for c, (_, _, found) in eyes.items() if found}
    setup = light_setup(LightWatch(), report, seen, tuple(eyes), Rig())
    ringed = {c.camera for c in setup.cameras if c.glare}
    assert ringed == {f.camera for f in setup.findings if f.kind == "glare"}


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_what_is_ringed_stands_in_words_on_the_page(factor: float) -> None:
    """Just below the limit neither is there, just above it both are."""
    patch = GlarePatch(320.0, 240.0, 20.0, factor * limit("light_glare_told"))
    report = shot(1, {"left": lit("left", glare=(patch,))})
    seen = {"left": sighting("left")}
    setup = light_setup(LightWatch(), report, seen, ("left",), Rig())
    scene = scenes()["light"]
    html = Renderer().fragments(replace(scene, setup=replace(scene.setup, light=setup)), ("setup",))["setup"]
    told = "Glare" in re.sub(r"<table.*?</table>", "", html, flags=re.DOTALL)
    assert told == (factor > 1)
    assert bool(setup.cameras[0].glare) == (factor > 1)
    assert len(findings(LightWatch(), report, seen, Rig())) == (factor > 1)
