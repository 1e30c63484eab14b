"""Limits on who gets in, and on what a part of the tool may use up."""

from .row import Limit

ROWS: tuple[Limit, ...] = (
    Limit(
        "worker_memory_mb",
        3000.0,
        "MB",
        "memory in use above which a worker process is ended and replaced",
        "chosen",
        "a pair of the largest pictures read (160 MP in 16 bits) is 0.64 GB, held as file, as stored and in grey",
    ),
    Limit(
        "file_storm_ms",
        600_000.0,
        "ms",
        "time within which at most file_storm messages about files are recorded",
        "chosen",
        "ten minutes: a later trouble is told again after a folder full of rubbish",
    ),
    Limit(
        "code_minutes",
        10.0,
        "minutes",
        "how long a joining code is shown before the next; it opens the bench for as long again",
        "chosen",
        "long enough to walk to the rig with a phone, short enough that a code on a photograph is stale",
    ),
    Limit(
        "code_tries_per_minute",
        10.0,
        "tries",
        "wrong joining codes from one address within a minute before it has to wait",
        "derived",
        "a code has 40 bits: at ten times this from each of 200 addresses the chance to guess one of the "
        "four that hold is below 1e-7 an hour",
    ),
    Limit(
        "code_tries_per_minute_all",
        300.0,
        "tries",
        "wrong joining codes from all addresses together within a minute before everyone has to wait",
        "derived",
        "300 a minute against 40 bits and four codes: 7e-8 an hour",
    ),
    Limit(
        "phone_days",
        14.0,
        "days",
        "how long a phone that has joined is known",
        "chosen",
        "a test campaign; joining again takes one scan",
    ),
    Limit(
        "phones_most",
        64.0,
        "phones",
        "most phones that are known at once",
        "chosen",
        "three times the load that is tested",
    ),
    Limit(
        "lines_per_phone",
        8.0,
        "lines",
        "most live lines that one phone may hold open",
        "chosen",
        "two a page, and a few pages open at once",
    ),
    Limit(
        "free_disk_mb",
        2000.0,
        "MB",
        "free space below which the doctor says that the disk is nearly full",
        "chosen",
        "a session of 40 views of a 5-MP pair in 16 bits is 0.8 GB",
    ),
    Limit(
        "waiting_pictures_mb",
        1500.0,
        "MB",
        "pictures sent in by other programs that may wait in memory to be looked at",
        "chosen",
        "30 pairs of 5 MP in 16 bits are 0.6 GB",
    ),
)
