"""Every limit of the workbench, with its reason."""

from __future__ import annotations

MAX_UPLOAD_BYTES = 8_000_000_000
"""Largest request that carries files: an evening's photos and clips, dropped at once."""

MAX_UPLOAD_FILES = 500
"""Most files in one upload; their suggestions still fit on one page."""

MAX_FORM_BYTES = 2_000_000
"""Largest other request. A frame of the live picture is the largest of them, see below."""

MAX_FRAME_PIXELS = 50_000_000
"""Largest live frame that is judged; no USB camera delivers more."""

MAX_FRAME_BYTES = 3 * MAX_FRAME_PIXELS // 2
"""Largest live frame: its planes in 4:2:0."""

MAX_CLIP_CHUNK_BYTES = 200_000_000
"""Largest piece of a recording that the browser hands over at once (it does so every second)."""

MAX_RECORDING_BYTES = 64_000_000_000
"""Longest recording: about two hours of high-rate video."""

UPLOAD_KEPT_S = 24 * 3600
"""Uploads that were not confirmed for a day are removed."""

DECODED_BYTES_KEPT = 1_500_000_000
"""Decoded photos held for the viewer; at least one is, however large."""

TILE_PX = 512
"""Side of a viewer tile: few requests, and small enough to appear at once."""

TILE_QUALITY = 90
"""JPEG quality of tiles. They are for the eye; measurements use the file itself."""

HISTORY_KEPT = 50
"""Earlier states of bench.toml that can be gone back to."""

MAX_MARKS = 500
"""Most measurements by hand on one capture."""

MAX_POINTS = 200
"""Most corners of one area."""

STALLED_S = 60.0
"""How long the next part of a request may take to come: a phone that changes its network is back by
then, and a connection that only pretends costs nothing for long."""

HEAD_S = 20.0
"""How long a request's first lines may take; browsers send them at once."""

MOST_CONNECTIONS = 300
"""Connections at once; a browser opens six, and pages that are told of a run hold one."""

COOKIE_S = 7 * 24 * 3600
"""How long a browser keeps its cookie; it is worth nothing once the workbench ends."""

SAID_KEPT = 200
"""Messages that wait for the page of the browser which acted."""

MAX_PHONE_FILE_BYTES = 1_000_000_000
"""Largest file from a phone: a few minutes of its finest video; photos take a hundredth."""

MAX_PHONE_FILES = 300
"""Most files that one opening of the phone's page takes."""

MAX_PHONE_BYTES = 8_000_000_000
"""Most that one opening takes; with the file beside it fills a disk no further."""

MAX_PHONE_PIECE_BYTES = 2_000_000
"""Files come in pieces of this size: what an interruption costs, and what is held in memory."""

MOST_PHONE_CONNECTIONS = 60
MOST_CONNECTIONS_OF_ONE = 12
"""Connections to the phone's page at once, of all and of one address; browsers open six."""

STRANGERS_AT_ONCE = 20
STRANGERS_A_SECOND = 1.0
"""What an address may ask that is not in: enough to mistype, too little to guess or to flood."""
