"""What `measure_die` found of a bench's chip, kept under `results/dies/` until something changes."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from glassay import versions
from glassay.bench.chip.die_pictures import ChosenPicture, best_die
from glassay.bench.document.chip_mosaics import mosaic_of
from glassay.bench.document.die_notes import notes_file
from glassay.bench.document.model import Bench
from glassay.bench.keeping.results import BenchResults
from glassay.bench.measuring.assemble import RESULTS_FILE
from glassay.disk import content_hash, refuse_links, write_atomically
from glassay.errors import NotMeasurable, Unusable
from glassay.mosaic_files import NUMBERS

DIES = "dies"
"""Folder of `results/` in which they are kept."""

CHOICE = 3
"""Number of the way in which the picture of a die is chosen; a die chosen otherwise is measured again.
2: not in a setting of which the scale is in doubt. 3: not in a mosaic made with another scale."""


def kept_path(bench: Bench, chip: str) -> Path:
    """Where the die of a chip is kept."""
    return bench.results_folder / DIES / f"{quote(chip, safe='')}.json"


def kept_die(bench: Bench, chip: str) -> dict[str, Any] | None:
    """The die as it is kept, if nothing that it rests on has changed; None where there is none."""
    with contextlib.suppress(OSError, ValueError, AttributeError, Unusable):
        data = json.loads(kept_path(bench, chip).read_bytes())
        if data.get("key") == _key(bench, chip):
            return dict(data)
    return None


def measured_die(bench: Bench, chip: str, results: Callable[[], BenchResults]) -> dict[str, Any]:
    """The die of a chip: kept, or measured now and kept: `findings`, what `DieResult.beside` tells,
    `picture` (file, capture and box or mosaic, taken_with); or the `reason` why there is none.

    `results` gives the bench's results where they are needed. Raises `Unusable` when what was
    measured cannot be kept.
    """
    kept = kept_die(bench, chip)
    if kept is not None:
        return kept
    try:
        data = as_record(bench, best_die(results(), chip))
    except (NotMeasurable, Unusable) as error:
        data = {"reason": str(error)}
    data = {"key": _key(bench, chip), **data}
    path = refuse_links(kept_path(bench, chip), bench.folder)
    write_atomically(path, (json.dumps(data, indent=1) + "\n").encode())
    return data


def as_record(bench: Bench, chosen: ChosenPicture) -> dict[str, Any]:
    """A measured die as plain data."""
    result, picture = chosen.result, chosen.picture
    where: dict[str, Any]
    if picture.mosaic is not None:
        where = {"file": f"{picture.name}/{NUMBERS}", "mosaic": picture.name}
    else:
        (capture,) = (c for c in bench.captures if c.id == picture.name)
        where = {"file": capture.files[0], "capture": capture.id, "box": capture.box}
    return {
        "findings": {key: finding.as_json() for key, finding in result.findings().items()},
        **result.beside(), "notes": list(result.notes),
        "picture": {**where, "taken_with": picture.taken_with,
                    "size": [picture.photo.width, picture.photo.height],
                    "sha256": content_hash(picture.photo.path)},
        "not_used": [{"capture": name, "reason": why} for name, why in chosen.passed_over],
    }  # fmt: skip


def _key(bench: Bench, chip: str) -> str:
    """Of everything that the die rests on: the bench's results, notes by hand and the method.

    Raises `Unusable` where the bench has none yet."""
    told = content_hash(bench.results_folder / RESULTS_FILE)
    path = notes_file(bench.folder, chip)
    noted = "" if path is None else content_hash(path)
    try:
        mosaic = mosaic_of(bench.folder, chip)
        placed = "" if mosaic is None else f" {content_hash(mosaic / NUMBERS)}"
    except Unusable as error:  # the die is then measured in something else, which says why
        placed = f" {error}"
    key = f"{told} {noted} {chip} {versions.DIE}{placed} {CHOICE}"
    return hashlib.sha256(key.encode()).hexdigest()[:40]
