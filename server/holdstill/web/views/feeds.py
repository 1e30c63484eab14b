"""The card of the cameras themselves: what each is, how it does, and which is which."""

from __future__ import annotations

from typing import Any

from holdstill.records import FeedsState, FeedState, Snapshot, Step

from .words import Words, figure

Context = dict[str, Any]
STATES = {"running": "runs", "opening": "opens", "silent": "away", "lost": "away", "ended": "over"}
"""Looks of a feed's mark."""


def feeds_reads(snapshot: Snapshot) -> tuple[object, ...]:
    """What the card shows, in words: drawn anew only when it would read otherwise."""
    feeds = snapshot.feeds
    if feeds is None:
        return ()
    words = Words()
    rows = tuple(tuple(sorted(_row(f, words).items())) for f in feeds.feeds)
    return (*rows, _together(feeds, words), may_place(snapshot))


def show_feeds(snapshot: Snapshot, words: Words) -> Context:
    """Every camera, and whether they can be swapped and turned now."""
    feeds = snapshot.feeds
    if feeds is None:
        return {"feeds": [], "together": "", "may_place": False}
    return {
        "feeds": [_row(f, words) for f in feeds.feeds],
        "together": _together(feeds, words),
        "may_place": may_place(snapshot),
    }


def may_place(snapshot: Snapshot) -> bool:
    """Whether left, right and turns may be changed: on the Rig step, before the first view."""
    return snapshot.step is Step.RIG and not snapshot.views


def _row(feed: FeedState, words: Words) -> dict[str, str]:
    facts = []
    if feed.size_px is not None:
        facts.append(f"{feed.size_px[0]} × {feed.size_px[1]} px")
    if feed.rate_hz is not None and feed.state == "running":
        facts.append(f"{feed.rate_hz:.0f}/s")
    if feed.exposure_ms is not None:
        facts.append(f"{feed.exposure_ms:.3g} ms")
    if feed.gain_db is not None:
        facts.append(f"{feed.gain_db:.2g} dB")
    if feed.turn_deg:
        facts.append(words.key("panel.feeds.turned", turn_deg=feed.turn_deg))
    if feed.lost_share >= 0.0005:
        facts.append(words.key("panel.feeds.packets", percent=100.0 * feed.lost_share))
    return {
        "camera": feed.camera,
        "what": feed.what or feed.address,
        "state": STATES.get(feed.state, "away"),
        "state_words": words.key(f"panel.feeds.{feed.state}"),
        "facts": " · ".join(facts),
        "clock": _clock(feed, words),
        "trouble": words.say(feed.trouble),
        "remedy": words.say(feed.remedy),
        "note": words.say(feed.note),
    }


def _clock(feed: FeedState, words: Words) -> str:
    if feed.clock is None or feed.clock.frames < 60:
        return ""
    drift = f"{feed.clock.drift_ppm:+.0f}"
    return words.key("panel.feeds.clock", drift_ppm=drift, jitter=figure(feed.clock.jitter_ms, "ms"))


def _together(feeds: FeedsState, words: Words) -> str:
    if not feeds.pairing:
        return ""
    told = words.key(f"feed.pairing.{feeds.pairing}")
    if feeds.apart_ms is None or feeds.pairing == "numbers":
        return told
    apart = f"{feeds.apart_ms:.0f} ms" if feeds.apart_ms >= 9.5 else f"{max(feeds.apart_ms, 0.1):.1f} ms"
    # a digit that changes with every shot would only make the page flicker
    rough = "< 2 ms" if feeds.apart_ms < 2.0 else "< 10 ms" if feeds.apart_ms < 10.0 else apart
    return words.key("panel.feeds.apart", how=told, apart=rough)
