"""The archive: the journal, originals by digest, hand-over files and reports.

``archive.handover``, ``archive.load`` and ``archive.sessions`` are imported by name: they need the
rooms that solve and draw, which the journal does not.
"""

from .journal import Journal, new_folder
from .originals import Originals, average_bytes, storage

__all__ = ["Journal", "Originals", "average_bytes", "new_folder", "storage"]
