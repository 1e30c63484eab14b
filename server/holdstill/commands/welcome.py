"""What the terminal says once the pages can be opened."""

from __future__ import annotations

from collections.abc import Callable

from holdstill.web import qr_text, sender_header


def welcome(what: str, *, tls: bool = False, sent: bool = False) -> Callable[[str, str, bool], None]:
    """A function that prints the address, the link to join and its QR code."""

    def tell(address: str, link: str, resumed: bool) -> None:
        print(f"Holdstill is {what}.")
        if resumed:
            print("It goes on with the session of this name; --new begins another.")
        print(f"\nOpen this link on the phone at the rig and on the bench's own screen:\n\n  {link}\n")
        print(qr_text(link))
        print(f"Once joined, {address}/phone is the phone's page and {address}/bench the wide one.")
        if sent:
            token = link.partition("token=")[2]
            print(f"Send frames to {address}/frames/CAMERA with the header:\n\n  {sender_header(token)}\n")
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
