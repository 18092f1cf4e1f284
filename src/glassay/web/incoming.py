"""Uploads that wait to be confirmed, under `results/incoming/`; one folder for each batch."""

from __future__ import annotations

import json
import re
import secrets
import shutil
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from glassay.bench.document.model import Bench
from glassay.bench.keeping.filing import Suggestion, check_source, suggest
from glassay.errors import Unusable
from glassay.web import limits
from glassay.web.contents import is_clip, media_type

MANIFEST = "batch.json"


@dataclass(frozen=True)
class Waiting:
    """One uploaded file: where it lies, how the browser named it, and what is wrong with it."""

    path: Path
    named: str
    trouble: str
    is_clip: bool

    def suggestion(self, bench: Bench) -> Suggestion:
        """What the file's name and the folders it came from suggest."""
        return suggest(bench, Path("/") / self.named)


class Incoming:
    """The batches of one bench."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def receive(self, named: Iterable[tuple[str, BinaryIO]]) -> str:
        """Keep files and return the batch's name. Raises `Unusable` when there are none."""
        self._clear_old()
        batch = secrets.token_hex(8)
        names = []
        for number, (name, stream) in enumerate(named):
            shown = plain_name(name)
            place = self._folder / batch / str(number)
            place.mkdir(parents=True)
            with (place / PurePosixPath(shown).name).open("xb") as target:
                shutil.copyfileobj(stream, target, 1 << 20)
            names.append(shown)
        if not names:
            raise Unusable("no file was chosen")
        (self._folder / batch / MANIFEST).write_text(json.dumps(names), encoding="utf-8")
        return batch

    def waiting(self, batch: str) -> tuple[Waiting, ...]:
        """The files of a batch. Raises `Unusable` when there is no such batch (any more)."""
        folder = self._batch(batch)
        try:
            names = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            raise Unusable(
                "this upload is no longer there; please choose the files again"
            ) from None
        return tuple(_look(folder / str(n) / PurePosixPath(name).name, name)
                     for n, name in enumerate(names))  # fmt: skip

    def path(self, batch: str, number: int) -> Path:
        """One file of a batch. Raises `Unusable`."""
        files = self.waiting(batch)
        if not 0 <= number < len(files):
            raise Unusable("there is no such file in this upload")
        return files[number].path

    def forget(self, batch: str) -> None:
        """Remove a batch."""
        shutil.rmtree(self._batch(batch), ignore_errors=True)

    def _batch(self, batch: str) -> Path:
        if not re.fullmatch(r"[0-9a-f]{16}", batch):
            raise Unusable("there is no such upload")
        return self._folder / batch

    def _clear_old(self) -> None:
        if self._folder.is_dir():
            for one in self._folder.iterdir():
                if time.time() - one.stat().st_mtime > limits.UPLOAD_KEPT_S:
                    shutil.rmtree(one, ignore_errors=True)


def plain_name(name: str) -> str:
    """A browser's file name, with at most its last folders, that cannot lead anywhere else."""
    parts = [
        re.sub(r'[:*?"<>|\x00-\x1f\x7f]', "_", part).strip()[-120:]
        for part in name.replace("\\", "/").split("/")
    ]
    kept = [part for part in parts if part not in ("", ".", "..")]
    return "/".join(kept[-4:]) or "capture"


def _look(path: Path, named: str) -> Waiting:
    clip = False
    try:
        media = media_type(path)
        clip = is_clip(media)
        if media is None:
            raise Unusable("this is no photo and no clip, going by its content")
        check_source(path)
        trouble = ""
    except (Unusable, OSError) as error:
        trouble = str(error)
    return Waiting(path, named, trouble, clip)
