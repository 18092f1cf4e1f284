"""Opening the phone's page on one address of the local network, and closing it when its time is up."""

from __future__ import annotations

import asyncio
import io
import ipaddress
import socket
import threading
from pathlib import Path

import segno
import uvicorn

from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.listening import ImpatientProtocol, config_of, listen
from glassay.web.phone.app import create_phone_app
from glassay.web.phone.share import Share


class PhonePage:
    """The phone's page, open from now on for so many minutes."""

    def __init__(self, bench_folder: Path, address: str | None, minutes: float) -> None:
        """Raises `Unusable` where there is no local network, or the address is not of one."""
        self.address = checked_address(address or local_address())
        listener = listen(self.address, (0,))
        self.host = f"{self.address}:{listener.getsockname()[1]}"
        self.share = Share(bench_folder.resolve(), 60 * minutes)
        config = config_of(create_phone_app(self.share, self.host))
        config.http = FewProtocol
        config.limit_concurrency = limits.MOST_PHONE_CONNECTIONS
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [listener]}, daemon=True
        )
        self._thread.start()
        self._timer = threading.Timer(60 * minutes, self.close)
        self._timer.daemon = True
        self._timer.start()

    @property
    def url(self) -> str:
        """The address with the present code."""
        return f"http://{self.host}/?token={self.share.entry}"

    @property
    def is_open(self) -> bool:
        """Whether it still takes files."""
        return self.share.seconds_left > 0

    def close(self) -> None:
        """End it now; nobody is listened to any more."""
        self._timer.cancel()
        self.share.end()
        self._server.should_exit = True

    def wait(self, seconds: float) -> bool:
        """Until nobody listens any more, at most so long; whether that is so."""
        self._thread.join(seconds)
        return not self._thread.is_alive()


class FewProtocol(ImpatientProtocol):
    """So many connections from one address at once: one device cannot keep the others out."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        mine = (self.client or ("", 0))[0]
        here = sum((getattr(one, "client", None) or ("", 0))[0] == mine for one in self.connections)
        if here > limits.MOST_CONNECTIONS_OF_ONE:
            transport.close()


def local_address() -> str:
    """This computer's address on the local network. Raises `Unusable` when it has none.

    The system is asked by which of its addresses it would reach a private network (RFC 1918); nothing
    is sent for that.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        for target in ("192.168.0.1", "10.0.0.1", "172.16.0.1"):
            try:
                probe.connect((target, 9))
            except OSError:
                continue
            found = str(probe.getsockname()[0])
            if not ipaddress.ip_address(found).is_loopback:
                return found
    raise Unusable(
        "this computer has no address on a local network; join the Wi-Fi that the phone is in, or"
        " give --phone-address"
    )


def checked_address(address: str) -> str:
    """The address, if it is one of a local network. Raises `Unusable`."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        raise Unusable(f"{address!r} is no address, like 192.168.1.20") from None
    if found.version != 4 or not found.is_private or found.is_unspecified or found.is_multicast:
        raise Unusable(
            f"{address} is no address of a local network; the phone's page is opened on such only"
        )
    return str(found)


def code_for_terminal(url: str) -> str:
    """The QR code in characters."""
    stream = io.StringIO()
    segno.make(url, error="m", micro=False).terminal(stream, compact=True)
    return stream.getvalue()


def code_as_svg(url: str) -> str:
    """The QR code as a part of a page."""
    made: str = segno.make(url, error="m", micro=False).svg_inline(
        scale=5, border=4, dark="#000", light="#fff", omitsize=True
    )
    return made
