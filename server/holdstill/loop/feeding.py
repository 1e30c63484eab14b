"""What the loop tells a live source, and asks of it."""

from __future__ import annotations

from dataclasses import replace

from holdstill.intake.source import Feeding, Source
from holdstill.records import FeedsState, FeedState
from holdstill.session import Live


def heed(source: Source, number: int) -> None:
    """Tell a live source that the loop is done with a shot."""
    if isinstance(source, Feeding):
        source.looked_at(number)


def with_feeds(live: Live, source: Source) -> tuple[Live, bool]:
    """The moment with the cameras as they stand, and whether a page should hear of it at once."""
    if not isinstance(source, Feeding):
        return live, False
    feeds = source.feeds()
    return replace(live, feeds=feeds), _worth(live.feeds) != _worth(feeds)


def _worth(feeds: FeedsState | None) -> tuple[object, ...]:
    return tuple(_news(f) for f in feeds.feeds) if feeds is not None else ()


def _news(feed: FeedState) -> tuple[object, ...]:
    """What is worth telling when it changes: not every digit of a rate."""
    trouble = feed.trouble.key if feed.trouble is not None else ""
    return (feed.camera, feed.address, feed.what, feed.state, trouble, feed.exposure_ms, feed.gain_db,
            feed.turn_deg)  # fmt: skip
