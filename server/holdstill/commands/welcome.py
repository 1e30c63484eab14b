"""What the terminal says once the pages can be opened."""

from __future__ import annotations

from collections.abc import Callable

from holdstill.compose import Greeting
from holdstill.phrases import say
from holdstill.records import Say
from holdstill.web import qr_text


def welcome(what: str, *, tls: bool = False, sent: bool = False) -> Callable[[Greeting], None]:
    """A function that prints the address, the link to join and its QR code."""

    def tell(greeting: Greeting) -> None:
        print(f"Holdstill is {what}.")
        if greeting.resumed:
            print("It goes on with the session of this name; --new begins another.")
        print("\nOpen this link on the phone at the rig and on the bench's own screen:\n")
        tell_links(greeting)
        address = greeting.address
        print(f"Once joined, {address}/phone is the phone's page and {address}/bench the wide one.")
        if sent:
            print(f"Send frames to {address}/frames/CAMERA with the header:\n\n  {greeting.sender}\n")
        if tls:
            print(
                "The phone will warn about the certificate, which was made on this machine just now: go to "
                "details and accept it for this address, once. Its screen can then stay awake."
            )
        print(
            "\nIsolate the machine before hands enter the load frame. Lamps can be hot and dazzling. "
            "This program is no emergency stop. Ctrl-C ends it; nothing kept is lost.",
            flush=True,
        )

    return tell


def tell_links(greeting: Greeting) -> None:
    """Print the links that join, and a QR code of the operator's."""
    print(f"  {greeting.link}\n")
    print(qr_text(greeting.link))
    print(say(Say("join.told", {"minutes": greeting.minutes})))
    print(say(Say("join.told.watcher", {"link": greeting.watch_link})))
