"""Limits used by ``intake``."""

from .row import Limit

ROWS: tuple[Limit, ...] = ()
