"""Every kind of shot: what it shows, how to take it well, and how long that takes."""

from __future__ import annotations

from glassay.bench.measuring.methods import METHODS
from glassay.bench.measuring.methods.contract import ShotKind

_SHARP = (
    "Focus on the object itself at full size on screen, then take your hand away before the shot."
)
_NOT_CLIPPED = (
    "Dim the light until nothing important is pure white: what is clipped cannot be measured."
)
_NO_ZOOM = "Leave digital zoom, filters and picture enhancement off, and save at full size."

OWN: dict[str, ShotKind] = {
    "scale": ShotKind(
        "a photo of a ruled scale",
        (
            "Lay the slide flat and level: tilted glass is sharp at one end only.",
            "Let the ruling cross the whole field, at least 8 divisions in view and 6 px for each.",
            "A few degrees of tilt against the pixels do no harm; cropping and rotating later do.",
            _SHARP, _NOT_CLIPPED, _NO_ZOOM,
            "Three photos, each after lifting the slide and focusing anew, show how repeatable it is.",
        ),
        3, ("ruled scale", "grid"),
    ),
    "round field": ShotKind(
        "a photo of a ruled scale through the eyepiece, with its whole round field",
        (
            "Hold the phone so that the dark rim of the field is seen all around.",
            "Lay the slide flat, its ruling across the middle of the field.",
            _SHARP, _NOT_CLIPPED,
        ),
        3, ("ruled scale", "grid"),
    ),
    "edge": ShotKind(
        "a photo of a sharp edge",
        (
            "A new razor blade or a thick line of the slide, tilted 3 to 15 degrees against the"
            " pixels.",
            "Bright ground on one side, dark on the other, each at least 20 px wide and even.",
            "Take an upright edge and a level one; both directions count.",
            _SHARP, _NOT_CLIPPED, _NO_ZOOM,
        ),
        3, ("edge", "chip"),
    ),
    "bars": ShotKind(
        "a photo of a bar target",
        ("Groups that are resolved and groups that are not must both be in view.", _SHARP,
         _NOT_CLIPPED, _NO_ZOOM),
        4, ("bar target",),
    ),
    "repeat": ShotKind(
        "two photos of one still scene (a repeat pair)",
        (
            "Any chip with texture will do; fill the field with it.",
            "Take both without touching anything in between: use a timer or a remote release.",
            "Same exposure for both, nothing clipped to white or black.",
            "A second pair between which the stage moved by a few pixels bounds the finest detail: of a"
            " still one the camera's own pattern repeats as well, and no bound is told.",
            _NO_ZOOM,
        ),
        4, ("repeat pair",),
    ),
    "finer repeat": ShotKind(
        "a repeat pair that keeps its noise, since the one filed does not tell enough",
        (
            "Save both at the least compression it offers, uncompressed if it can: compression"
            " removes the noise that tells real pixels from made-up ones.",
            "Higher gain or less light, and noise reduction off: it takes noise in single pixels.",
            "Take both without touching anything in between: use a timer or a remote release.",
            "If it offers nothing of that, no photo of its own will tell; the sensor's own die does,"
            " where the camera is opened anyway.",
        ),
        5, ("repeat pair",),
    ),
    "clip": ShotKind(
        "a clip with something moving in it, 10 s or longer",
        ("Move the object slowly all the time, so that no two frames are alike.",
         "Good light: in the dark many cameras slow down.",
         "Film the slide once in the same mode: then shake and drift are in um.",
         "Copy the file itself; chat programs re-encode it."),
        3,
    ),
    "still clip": ShotKind(
        "a clip of a still scene, 5 s or longer",
        ("A chip with texture, filling the field; touch nothing while it runs.",
         "Copy the file itself; chat programs re-encode it."),
        3,
    ),
    "long clip": ShotKind(
        "a clip recorded until it stops",
        ("Full battery, empty card; let it run until it stops by itself.",
         "File what is left: a file cut off by a crash counts, with the time at which it stopped.",
         "Or note the time as an observation of kind `recording time`, and why it stopped."), 120,
    ),
    "die": ShotKind(
        "photos of the image sensor's own die",
        ("Only where the camera is open anyway, and after the cautions on opening devices.",
         "A close-up in which single pixels are told apart, and an overview of the whole array.",
         "Both in settings with a ruled scale measured."),
        60, ("pixel array",), any_setting=True,
    ),
    "ruler": ShotKind(
        "a length, measured with a ruler and noted",
        ('Note it as an observation with its kind, its value and what it may be off by (`within`).',),
        1, any_setting=True,
    ),
    "battery": ShotKind(
        "the run time on its battery, from full to empty, noted",
        ('Charge it fully, screen and light as in use, and note the time as `battery time`.',),
        240, any_setting=True,
    ),
    "price": ShotKind("a price, noted", ("Write it under `price`, with its currency.",), 1,
                      any_setting=True),
    "trait": ShotKind("a fact, noted in bench.toml", ("Write it into the instrument's table.",), 1,
                      any_setting=True),
    "words": ShotKind(
        "an observation that decides it, yes or no",
        ("Try it, then note an observation with `settles` and `holds`.",), 10, any_setting=True,
    ),
    "certificate": ShotKind(
        "a certificate of the slide, or a better slide",
        ("The slide's own uncertainty keeps this open; more photos of it change nothing.",), 60,
        any_setting=True,
    ),
}  # fmt: skip


def shot_kind(key: str) -> ShotKind:
    """The kind of shot with this key: one of our own, or one that a method of another package brings.

    Raises KeyError for an unknown key.
    """
    for kinds in (OWN, *(one.shots for one in METHODS.values())):
        if key in kinds:
            return kinds[key]
    raise KeyError(key)
