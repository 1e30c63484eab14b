"""Limits used by ``measure``."""

from .row import Limit

ROWS: tuple[Limit, ...] = ()
