"""The archive: the journal, originals by digest, hand-over files and reports."""

from .journal import Journal, new_folder
from .originals import Originals, average_bytes, storage

__all__ = ["Journal", "Originals", "average_bytes", "new_folder", "storage"]
