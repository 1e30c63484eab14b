"""Errors meant for a person: what, got, wanted, where, and the next step."""

from __future__ import annotations


class HoldstillError(Exception):
    """A problem a user can act on. Its text is a complete sentence with the next step."""

    exit_status = 2


class BadInput(HoldstillError):
    """Something given (file, SPEC, rig file, option) can't be used."""


class BadFrame(HoldstillError):
    """A picture can't be decoded or doesn't fit the session."""


class StorageTrouble(HoldstillError):
    """The journal or an original could not be written."""
