"""Which pose next, how to guide a person there, what is covered, and when it is enough.

The doors: ``choose``, ``guide``, ``coverage``, ``worth``, ``novel``, ``lamps``, ``enough``,
``customary``.  Pure: poses and numbers in, records out.
"""

from .choice import choose
from .covered import coverage
from .customary import customary
from .guidance import guide
from .value import Worth, enough, novel
from .value import worth_of as worth

__all__ = ["Worth", "choose", "coverage", "customary", "enough", "guide", "novel", "worth"]
