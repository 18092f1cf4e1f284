"""The whole picture of a mosaic on a bench: made when it is asked for, and kept among the results.

Measuring a capture of a chip in tiles tells where its photos lie; their picture can be gigabytes, so
it is drawn only for those who want to look. It lies in a folder of `results/mosaics/`, as `glassay
mosaic` writes it, named by all that it depends on, so that an old one is never taken for it.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from glassay import versions
from glassay.bench.document.chip_mosaics import IN_TILES
from glassay.bench.document.model import Bench
from glassay.bench.keeping.plain import to_plain
from glassay.bench.keeping.results import BenchResults
from glassay.bench.keeping.store import MOSAICS_FOLDER, Dependencies, Store
from glassay.bench.measuring.methods.contract import with_tone_curve
from glassay.bench.measuring.methods.mosaic import NAME, PLACING
from glassay.bench.measuring.mosaic_lengths import mosaic_pixel_size
from glassay.disk import content_hash, refuse_links
from glassay.errors import Unusable
from glassay.mosaic_files import NUMBERS, PICTURE
from glassay.quantity import Quantity

if TYPE_CHECKING:
    from glassay.mosaic import MosaicDocument

NAMES = re.compile(r"[0-9a-f]{12}-[0-9a-f]{40}")
"""Of folders: by the capture's id, which may be a path, and by all that the picture depends on."""


@dataclass(frozen=True)
class MosaicPicture:
    """The picture of one capture, whether it is there or not: its photos, what they are called on the
    bench and the SHA-256 of each, where they were placed if that is kept, the size of their px, the
    tone curve that is stated for them, and where it is kept."""

    paths: tuple[Path, ...]
    names: tuple[str, ...]
    contents: tuple[str, ...]
    placing: Any
    pixel_size: Quantity | None
    tone: Any
    folder: Path

    @property
    def name(self) -> str:
        """Of its folder, which another state of the capture does not have."""
        return self.folder.name

    def document(self) -> MosaicDocument | None:
        """What it says of itself; None where it was not made yet. Raises `Unusable` when damaged."""
        from glassay.mosaic import MosaicDocument

        # the numbers are written last
        return MosaicDocument.read(self.folder) if (self.folder / NUMBERS).is_file() else None

    def make(self, progress: Callable[[str, int, int], None]) -> None:
        """Draw it anew, or go on where that was interrupted; those of earlier states are removed.

        Raises `NotMeasurable` and `Unusable` as `place_tiles` and `write_mosaic` do.
        """
        from glassay.mosaic import Placement, Workers, drawing_in, place_tiles, write_placed

        workers = Workers()
        with drawing_in(self.folder):
            self._forget_damaged()
            try:
                placement = Placement.read(self.placing, self.paths, self.contents)
            except Unusable:  # an earlier version measured them
                placement = Placement.of(
                    place_tiles(self.paths, tone=self.tone, workers=workers, progress=progress)
                )
            write_placed(
                placement, self.folder, self.names, self.pixel_size, workers, progress,
                still_so=self._refuse_changed,
            )  # fmt: skip
        for other in self.folder.parent.glob(f"{self.name.partition('-')[0]}-*"):
            if other != self.folder:
                with contextlib.suppress(OSError):
                    shutil.rmtree(other)

    def _refuse_changed(self) -> None:
        """Nothing is kept that was drawn of photos other than those that were placed."""
        changed = [
            path.name for path, digest in zip(self.paths, self.contents, strict=True)
            if content_hash(path) != digest
        ]  # fmt: skip
        if changed:
            with contextlib.suppress(OSError):
                shutil.rmtree(self.folder / PICTURE)
            raise Unusable(f"{changed[0]} was changed while it was drawn; measure it again first")

    def _forget_damaged(self) -> None:
        """Remove what was finished once: asked for again, it is damaged. The numbers go first, so that
        no half of it is taken for the whole."""
        from glassay.mosaic import remove_numbers

        if not (self.folder / NUMBERS).exists():
            return
        remove_numbers(self.folder)
        try:
            if (self.folder / PICTURE).exists():
                shutil.rmtree(self.folder / PICTURE)
        except OSError as error:
            raise Unusable(f"{self.folder} cannot be written ({error.strerror})") from None


def mosaic_picture_of(results: BenchResults, capture_id: str) -> MosaicPicture:
    """The picture of a capture of a chip in tiles.

    Raises `Unusable` where there is no such capture, nothing was placed of it, or its files cannot be
    read or lead out of the bench.
    """
    bench = results.bench
    one = next((c for c in results.captures if c.capture.id == capture_id), None)
    if one is None:
        raise Unusable(f"there is no capture {capture_id!r} on this bench")
    if bench.object(one.capture.object).kind != IN_TILES:
        raise Unusable(f"{capture_id!r} is no capture of a chip in tiles")
    part = one.part(NAME)
    if part is None or part.status != "measured":
        raise Unusable(
            f"{capture_id!r} is not measured yet: that tells where its photos lie"
            if one.status == "not run"
            else f"the photos of {capture_id!r} have no places: {one.reason}"
        )
    paths = tuple(bench.shown_path(name) for name in one.capture.files)
    size, _ = mosaic_pixel_size(bench, one, results.captures)
    settings = {
        **with_tone_curve(bench, one.capture, {}),
        "pixel_size": None if size is None else size.as_json(),
    }
    contents = Store(bench.results_folder).contents(paths)
    key = Dependencies(contents, "mosaic picture", versions.MOSAIC, to_plain(settings)).key
    place = hashlib.sha256(capture_id.encode()).hexdigest()[:12]
    return MosaicPicture(
        paths, one.capture.files, contents, part.evidence.get(PLACING), size, settings.get("tone"),
        kept_at(bench, f"{place}-{key}"),
    )  # fmt: skip


def kept_at(bench: Bench, name: str) -> Path:
    """The folder of this name that holds a picture, if any. Raises `Unusable` for what is no such name,
    and where a folder on the way is a link."""
    if NAMES.fullmatch(name) is None:
        raise Unusable("there is no such mosaic")
    folder = bench.results_folder / MOSAICS_FOLDER / name
    for name in (NUMBERS, PICTURE):
        refuse_links(folder / name, bench.folder)
    return folder
