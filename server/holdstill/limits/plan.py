"""Limits used by ``plan``."""

from .row import Limit

ROWS: tuple[Limit, ...] = ()
