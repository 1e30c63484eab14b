"""Snapshots to HTML fragments: the same snapshot always gives the same fragments."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from holdstill.records import Snapshot

from .fragments import FRAGMENTS, PAGES, Fragment
from .words import Words, figure, share, size_of

TEMPLATES = Path(__file__).parent.parent / "templates"


@cache
def environment() -> Environment:
    """The templates' environment, made once: everything escaped, a missing name is an error."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update({"figure": figure, "share": share, "size": size_of})
    made.globals["t"] = Words().key
    return made


class Renderer:
    """Draws fragments, and draws one anew only when what it reads has changed.

    zone: time zone of the bench, for the clock times shown.
    """

    def __init__(self, zone: tzinfo = UTC) -> None:
        self.templates = environment()
        self.zone = zone
        self._drawn: dict[str, tuple[tuple[object, ...], str]] = {}

    def fragments(self, snapshot: Snapshot, names: Sequence[str]) -> dict[str, str]:
        """The named fragments, id -> HTML whose one top-level element has that id."""
        words = Words(snapshot.operator_faces_cameras, self.zone)
        return {name: self._one(FRAGMENTS[name], snapshot, words) for name in names}

    def _one(self, fragment: Fragment, snapshot: Snapshot, words: Words) -> str:
        reads = (snapshot.operator_faces_cameras, *fragment.reads(snapshot))
        before = self._drawn.get(fragment.name)
        if before is not None and before[0] == reads:
            return before[1]
        context = fragment.context(snapshot, words)
        html = self.templates.get_template(f"fragments/{fragment.name}.html").render(context, words=words)
        self._drawn[fragment.name] = (reads, html)
        return html

    def page(self, name: str, **context: Any) -> str:
        """A whole page from its template."""
        return self.templates.get_template(name).render(context)


__all__ = ["FRAGMENTS", "PAGES", "Fragment", "Renderer", "Words", "environment"]
