"""Limits used by ``target``."""

from .row import Limit

ROWS: tuple[Limit, ...] = ()
