"""Sentences about what went wrong inside, about who gets in, and of the doctor."""

WORDS: dict[str, str] = {
    "loop.broke": "Something went wrong inside Holdstill, and it is not your doing (reference {reference}). Nothing that was kept is lost; the coach goes on.",
    "loop.shot broke": "{name} could not be looked at: something went wrong inside Holdstill (reference {reference}). Take it again; if it stays, send on the report of that reference.",
    "loop.not starting": "The part that looks at pictures does not start. Holdstill keeps trying; if this stays, run `holdstill doctor` on the bench's computer.",
    "loop.too many waiting": "{name} was not looked at: more pictures came in than this computer can look at. Send fewer at a time.",
}
