"""The report: whole, self-contained, escaped, and the same on the page and in the PDF."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from archive.solved_session import originals_in, solved, with_pictures
from holdstill import session
from holdstill.archive.facts import facts_of, field_of_view
from holdstill.archive.figures import Figure, nice_steps, svg
from holdstill.archive.plots import residual_figure, volume_map
from holdstill.archive.report import report_html
from holdstill.archive.report_parts import pictured, sections
from holdstill.archive.report_pdf import report_pdf
from holdstill.phrases import CATALOGUE
from holdstill.records import events as ev
from holdstill.records.scene import NoiseFloor, SceneMarks, SceneReference

AT = 1.7641e12
WANTED = (
    "Provisional", "scale unverified", "How well it is known", "Reporting table", "Field of view",
    "Image scale", "not covered by this tool", "Calibration", "What was covered", "Residuals",
    "Plausibility", "Proof", "Every view and every shot not kept", "Versions", "Limits used",
    "kept for the proof", "dropped", "not kept",
)  # fmt: skip
NASTY = "<script>alert(1)</script>&amp;\n\"'"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    originals = originals_in(tmp_path_factory.mktemp("report"))
    state = with_pictures(solved()[1], originals)
    return facts_of(state, AT), originals


class Page(HTMLParser):
    """Tags, their attributes and the text of a page."""

    VOID = frozenset({"meta", "img", "polyline", "circle"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words = ""
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data + " "


def test_the_page_needs_nothing_else(made):
    page = Page(report_html(*made))
    names = {tag for tag, _ in page.tags}
    assert not names & {"script", "link", "iframe", "object", "embed", "form", "base"}
    for tag, attributes in page.tags:
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in ("src", "href"):
                assert tag == "img"
                assert str(value).startswith("data:image/jpeg;base64,")
    (policy,) = [a["content"] for _, a in page.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert "default-src 'none'" in policy


def test_the_page_tells_everything_that_is_asked_for(made):
    facts, _ = made
    words = re.sub(r"\s+", " ", Page(report_html(*made)).words)
    for wanted in WANTED:
        assert wanted in words, wanted
    for camera in facts.estimate.cameras:
        assert f"{camera.lens.fx:.3f}" in words
    for check in facts.estimate.checks:
        assert CATALOGUE[f"check.{check.name}"] in words
    for name in facts.opened.limits:
        assert name in words
    seen = field_of_view(facts, "left")
    assert f"{seen['width_mm']:.1f} x {seen['height_mm']:.1f} mm" in words


def test_every_view_stands_there_with_its_pictures(made):
    facts, _ = made
    page = Page(report_html(*made))
    assert sum(tag == "img" for tag, _ in page.tags) == 24
    story = pictured(facts)
    assert [p.state for p in story] == ["kept"] * 10 + ["kept for the proof", "dropped", "not kept"]
    assert "glare" in " ".join(story[-1].words).lower()


def test_names_can_not_reach_the_page_unescaped(made):
    facts, originals = made
    opened = replace(facts.opened, name=NASTY, initials=NASTY)
    views = tuple(replace(e, view=replace(e.view, name=NASTY)) for e in facts.state.entries)
    length = ev.LengthEntered(AT, "accepted", 0.0, 0.0, NASTY)
    state = replace(facts.state, opened=opened, entries=views, lengths=(length,))
    text = report_html(facts_of(state, AT), originals)
    assert "<script" not in text.lower()
    page = Page(text)
    assert page.words.count("<script>alert(1)</script>&amp;") >= 10
    assert report_pdf(facts_of(state, AT), originals).startswith(b"%PDF")


def test_words_in_figures_are_escaped():
    figure = Figure(10, 10, NASTY)
    figure.label(1, 1, NASTY)
    assert "<script" not in svg(figure)
    Page(svg(figure))


def test_the_pdf_says_what_the_page_says(made, tmp_path):
    facts, originals = made
    data = report_pdf(facts, originals)
    assert data == report_pdf(facts, originals)
    if shutil.which("pdftotext") is None:
        pytest.skip("needs pdftotext to read the PDF back")
    path = tmp_path / "report.pdf"
    path.write_bytes(data)
    text = subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    known = set(text.split())
    for section in sections(facts):
        assert section.title in text
        for table in section.tables:
            for row in table.rows:
                assert set(row[0].split()) <= known, row[0]
    for camera in facts.estimate.cameras:
        assert f"{camera.lens.fx:.3f}" in text
    assert "\ufffd" not in text


def test_scripts_that_the_font_lacks_do_no_harm(made):
    facts, originals = made
    state = replace(
        facts.state, opened=replace(facts.opened, name="自転車 фреймы \u202e 🚲", initials="日本")
    )
    assert report_pdf(facts_of(state, AT), originals).startswith(b"%PDF")
    assert "自転車" in report_html(facts_of(state, AT), originals)


def test_a_session_with_one_camera_and_without_pictures_is_reported(tmp_path):
    facts = facts_of(solved(1)[1], AT)
    originals = originals_in(tmp_path)
    page = Page(report_html(facts, originals))
    assert "Reprojection" in page.words or "reprojection error" in page.words
    assert volume_map(facts) is None
    assert report_pdf(facts, originals).startswith(b"%PDF")


def test_lost_pictures_are_told(made, tmp_path):
    facts, _ = made
    page = Page(report_html(facts, originals_in(tmp_path)))
    assert page.words.count("picture not kept") == 24


def test_the_map_over_the_volume_agrees_with_the_quantity(made):
    """rms of the map over the solver's own grid is the quantity's covariance figure."""
    facts, _ = made
    shape = next(q for q in facts.estimate.quantities if q.name == "shape_um")
    sigma, _ = volume_map(facts, (5, 5, 3))
    assert np.sqrt(np.mean(sigma**2)) == pytest.approx(shape.by_covariance, rel=0.02)


def test_a_systematic_residual_shows_in_the_bold_arrows(made):
    facts, _ = made
    fits = tuple(
        replace(f, residuals_px={c: r * 0 + np.array([0.1, 0.0]) for c, r in f.residuals_px.items()})
        for f in facts.estimate.views
    )
    state = replace(facts.state, estimate=replace(facts.estimate, views=fits))
    figure = residual_figure(facts_of(state, AT), facts.estimate.cameras[0])
    bold = [s for s in figure.shapes if getattr(s, "width", 0) == 1.6][:-1]
    assert len(bold) > 30
    for arrow in bold:
        (x0, y0), (x1, y1) = arrow.points
        assert x1 - x0 > 3
        assert abs(y1 - y0) < 1e-9


def test_an_unsolved_session_is_not_reported():
    with pytest.raises(ValueError, match="only a solved session"):
        facts_of(session.replay(list(solved()[0][:3])), AT)


@pytest.mark.parametrize(("low", "high"), [(0.0, 9.0), (3.0, 3.0), (0.0, 0.013), (-5.0, 1e6)])
def test_steps_are_round_and_inside(low, high):
    steps = nice_steps(low, high)
    assert all(low <= s <= high for s in steps)
    assert 1 <= len(steps) <= 8


def test_the_noise_floor_and_lengths_stand_in_the_report(tmp_path):
    """A series of the still scene, lengths entered and a scale accepted, each in words."""
    marks = SceneMarks("left", (2448, 2048), np.zeros((40, 2)), np.full((40, 2), 0.02), 31)
    floors = {c: NoiseFloor(c, 10, 40, 31, 0.0123, 0.011, 0.034) for c in ("left", "right")}
    reference = SceneReference("specimen 1", {}, {"left": marks, "right": marks}, floors)
    _, state = solved()
    for event in (
        ev.SceneKept(1.7641e12, reference),
        ev.LengthEntered(1.7641e12, "gauge", 182.0, 0.05),
        ev.LengthEntered(1.7641e12, "accepted", 0.0, 0.0, "the plate's own certificate"),
    ):
        state = session.step(state, event)
    originals = originals_in(tmp_path)
    words = re.sub(r"\s+", " ", Page(report_html(facts_of(state, 1.7642e12), originals)).words)
    for wanted in (
        "Noise floor", "0.0123 px", "0.034 px", "for a subset of 31 px", "across the plate", "182.0000 mm",
        "the plate's own certificate", "left: 0.0123 px; right: 0.0123 px for a subset",
    ):
        assert wanted in words, wanted
