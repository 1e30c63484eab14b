"""Which pose next, how to guide a person there, what is covered, and when it is enough.

The doors: ``choose``, ``guide``, ``coverage``, ``worth``, ``novel``, ``lamps``, ``lamp_to_move``, ``enough``,
``customary``.  Pure: poses and numbers in, records out.
"""

from .choice import choose, lamp_to_move
from .covered import coverage
from .customary import customary
from .guidance import guide
from .lamps import lamps
from .value import Worth, enough, novel
from .value import worth_of as worth

__all__ = [
    "Worth", "choose", "coverage", "customary", "enough", "guide", "lamp_to_move", "lamps", "novel", "worth",
]
