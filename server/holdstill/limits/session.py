"""Limits used by ``session``."""

from .row import Limit

ROWS: tuple[Limit, ...] = ()
