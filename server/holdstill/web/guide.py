"""Help: the long-form pages that come with the package, rendered on request."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import mistune
from markupsafe import Markup

from holdstill.records import Nothing

_FIGURES = frozenset({".svg", ".png", ".jpg", ".webp"})


@dataclass(frozen=True, slots=True)
class HelpPage:
    """A help page: its name in links, its title, and (when read) its HTML."""

    name: str
    title: str
    html: str = ""


class Guide:
    """A folder of Markdown pages and their figures. Only what the folder lists is ever read."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._markdown = mistune.create_markdown(escape=True, plugins=["table", "strikethrough", "footnotes"])

    def pages(self) -> list[HelpPage]:
        """All pages, the one called ``start`` first, then by name."""
        if not self._folder.is_dir():
            return []
        names = sorted(p.stem for p in self._folder.glob("*.md"))
        names.sort(key=lambda name: name != "start")
        return [HelpPage(name, _title(self._folder / f"{name}.md")) for name in names]

    def read(self, name: str) -> HelpPage | Path | Nothing:
        """A page by its name, or a figure's file by its file name."""
        for page in self.pages():
            if name in (page.name, f"{page.name}.md"):
                text = (self._folder / f"{page.name}.md").read_text(encoding="utf-8")
                return HelpPage(page.name, page.title, Markup(self._markdown(text)))
        for path in self._folder.iterdir() if self._folder.is_dir() else ():
            if path.name == name and path.suffix in _FIGURES and path.is_file():
                return path
        return Nothing("no such help page")


def _title(path: Path) -> str:
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            return line.lstrip("# ").strip()
    return path.stem.replace("-", " ").capitalize()
