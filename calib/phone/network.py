"""Where the page is served: one address of this machine, a port, a token, and all of it as a link and a QR code."""

from __future__ import annotations

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


def qr_for(link: str, encoding: str, columns: int | None, colours: bool) -> str:
    """The link as a QR code that a terminal of that encoding and width can show, "" where it cannot.

    ``columns`` None: as wide as it likes.
    """
    wide = len(_modules(link)[0])
    for blocks in (True, False):
        code = qr(link, colours, blocks)
        try:
            code.encode(encoding)
        except (UnicodeEncodeError, LookupError):
            continue
        if columns is None or columns >= wide * (1 if blocks else 2):
            return code
    return ""


def qr(link: str, colours: bool = False, blocks: bool = True) -> str:
    """The link as a QR code whose light parts are half blocks, or without ``blocks`` two plain letters each.

    ``colours``: white on black by the terminal's own codes, so that it is not inverted where the terminal is light.
    """
    light = [[not dark for dark in row] for row in _modules(link)]
    if blocks:
        light += [[False] * len(light[0])] * (len(light) % 2)
        rows = ["".join(" \u2580\u2584\u2588"[up + 2 * low] for up, low in zip(*two, strict=True))
                for two in zip(light[::2], light[1::2], strict=True)]
        return "\n".join(f"\x1b[97;40m{row}\x1b[0m" if colours else row for row in rows)
    if not colours:
        return "\n".join("".join("##" if one else "  " for one in row) for row in light)
    return "\n".join("".join(("\x1b[107m" if one else "\x1b[40m") + "  " for one in row) + "\x1b[0m" for row in light)


def _modules(link: str) -> list[list[bool]]:
    """Its modules, True where dark, with a margin of two light ones."""
    import segno

    return [[bool(dark) for dark in row] for row in segno.make(link, error="l", micro=False).matrix_iter(border=2)]
