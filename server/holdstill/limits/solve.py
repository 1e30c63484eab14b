"""Limits used by ``solve``."""

from .row import Limit

ROWS: tuple[Limit, ...] = ()
