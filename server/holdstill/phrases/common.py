"""Sentences that belong to no single room."""

WORDS: dict[str, str] = {}
