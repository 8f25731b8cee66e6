"""Where the page is served: one address of this machine, a port, a token, and all of it as a link and a QR code."""

from __future__ import annotations

import io
import ipaddress
import secrets
import socket
from collections.abc import Iterator

from capture.errors import UserError

USUAL_PORT, TRIES = 8317, 20
CAUTION = ("Use your own Wi-Fi or the phone's hotspot, not an open network: the link is not encrypted, and who has it "
           "can send photos until you stop this.")
PUBLIC = ("Take care: {} is an address of the open internet, not of a home network; choose a home address with "
          "--address unless you are sure.")


def new_token() -> str:
    """256 random bits as 43 letters, digits, - and _; a new one each time."""
    return secrets.token_urlsafe(32)


def own_address() -> str:
    """The address that other devices of the local network reach this machine at. UserError where there is none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        try:
            s.connect(("192.0.2.1", 9))  # sends nothing: only asks which way it would go (RFC 5737 test address)
            address = str(s.getsockname()[0])
        except OSError:
            address = "0.0.0.0"
    if ipaddress.ip_address(address).is_unspecified or ipaddress.ip_address(address).is_loopback:
        raise UserError("This machine is in no network: join the Wi-Fi that the phone is in, or name this machine's "
                        "address with --address.", "no_network")
    return address


def checked_address(text: str) -> str:
    """An address to serve at, as given. UserError for what is no single address."""
    try:
        address = ipaddress.IPv4Address(text)
    except ValueError:
        raise UserError(f"--address {text} is no address such as 192.168.1.20.", "bad_address", text) from None
    if address.is_unspecified or address.is_multicast:
        raise UserError(f"--address {text} would open the page on every network: name one address of this machine.",
                        "bad_address", text)
    return str(address)


def listen(address: str, port: int | None = None) -> socket.socket:
    """A socket bound to that address alone; ``port`` None: the usual one or the next free. UserError where none is."""
    for p in [port] if port is not None else _ports():
        s = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            s.bind((address, p))
            s.listen(256)
            return s
        except OSError as err:
            s.close()
            trouble = err.strerror or str(err)
    raise UserError(f"The page cannot be served at {address} ({trouble}): name another --address or --port.",
                    "cannot_listen", address)


def _ports() -> Iterator[int]:
    yield from range(USUAL_PORT, USUAL_PORT + TRIES)


def cautions(address: str) -> list[str]:
    """Sentences for who starts the page."""
    out = [CAUTION]
    if ipaddress.ip_address(address).is_global:
        out.append(PUBLIC.format(address))
    return out


def qr(link: str, colours: bool = False) -> str:
    """The link as a QR code of half blocks, which are its light parts; ``colours``: white on black by the terminal's
    own codes, so that it is not inverted where the terminal is light."""
    import segno

    out = io.StringIO()
    segno.make(link, error="l", micro=False).terminal(out=out, compact=True, border=2)
    lines = out.getvalue().splitlines()
    return "\n".join(f"\x1b[97;40m{line}\x1b[0m" for line in lines) if colours else "\n".join(lines)
