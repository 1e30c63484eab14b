"""The report as one HTML page that needs nothing else and prints well."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from .facts import Facts, told, when
from .figures import Figure, svg
from .originals import Originals
from .report_parts import closing, head, pictured, sections

_ENVIRONMENT = Environment(
    loader=FileSystemLoader(Path(__file__).parent),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
)


@dataclass(frozen=True, slots=True)
class _View:
    """One line of the story with its pictures: camera and ``data:`` address ("" when lost)."""

    title: str
    state: str
    words: tuple[str, ...]
    pictures: tuple[tuple[str, str], ...]


def report_html(facts: Facts, originals: Originals) -> str:
    """The whole report: every text escaped, pictures and figures inside, nothing loaded."""
    title, verdict, lines = head(facts)
    return _ENVIRONMENT.get_template("report.html.j2").render(
        title=title,
        made=made_words(facts),
        verdict=verdict,
        verdict_lines=lines,
        before=sections(facts),
        after=closing(facts),
        views_title=told("report.views"),
        views=[
            _View(p.title, p.state, p.words, tuple((c, _source(originals, d)) for c, d in p.digests.items()))
            for p in pictured(facts)
        ],
        no_picture=told("report.no-picture"),
        closing_words=told("report.closing"),
        svg=_safe_svg,
    )


def made_words(facts: Facts) -> str:
    """When and by whom the report was made."""
    return told(
        "report.made",
        at=when(facts.made_at_ms),
        initials=facts.opened.initials or "-",
        begun=when(facts.opened.at_ms),
    )


def _safe_svg(figure: Figure) -> Markup:
    return Markup(svg(figure))


def _source(originals: Originals, digest: str) -> str:
    data = originals.preview(digest)
    return "data:image/jpeg;base64," + base64.b64encode(data).decode() if isinstance(data, bytes) else ""
