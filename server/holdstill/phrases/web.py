"""Labels and sentences of the pages themselves."""

WORDS: dict[str, str] = {
    "page.name": "Holdstill",
}
