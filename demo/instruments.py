"""What each instrument really is: the part of the story that no seller tells.

Every setting is a pixel size, an optical system and a camera. `docs/demo.md` says the same in
words. Sizes are of the sensor's own pixels; only the Grand enlarges them afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from glassay.simulate import Camera, Lighting, Optics


@dataclass(frozen=True)
class Setting:
    """One state of one instrument. `turned`: the phone was held upright, and its file says so."""

    pixel_size_um: float
    optics: Optics
    camera: Camera
    turned: bool = False

    def reduced(self, factor: float) -> Setting:
        """The same view with `factor` times as many pixels each way (for quick tests)."""
        width, height = round(self.camera.width * factor), round(self.camera.height * factor)
        stored = self.camera.stored_size
        if stored is not None:
            stored = round(stored[0] * factor), round(stored[1] * factor)
        camera = replace(self.camera, width=width, height=height, stored_size=stored)
        size = self.pixel_size_um * self.camera.width / width
        return replace(self, pixel_size_um=size, camera=camera)


PHONE = Camera(
    1600, 1200, colour="full", exposure=0.82, full_well_e=12_000, read_noise_e=4, prnu=0.003,
    bits=12, sharpening=0.5, sharpening_px=1.1, jpeg_quality=93, serial=21,
)  # fmt: skip
"""The phone that looks into the eyepieces. It stores small pictures, each pixel the mean of several
of its sensor's, so that every pixel has all three colours."""


def _through_eyepiece(
    field_um: float, across_px: float, optics: Optics, *, turned: bool = False
) -> Setting:
    """The phone's view of a round field that is `across_px` wide in its picture."""
    seen = replace(optics, field_stop_um=field_um, field_stop_softness_px=2.5, surround=0.003)
    return Setting(field_um / across_px, seen, PHONE, turned)


# Tirrelund Binocular: honest. Field number 20, zoom 0.623 to 3.865, auxiliary lens 2.31.
_BINOCULAR_LIGHT = Lighting(gradient=(-0.08, 0.06), tint=(1.0, 0.98, 0.93))
BINOCULAR_WIDE = _through_eyepiece(
    20_000 / 0.623, 1080,
    Optics(na=0.020, vignetting=0.10, field_stop_offset_um=(-420, 260), residual_blur_um=9,
           lighting=_BINOCULAR_LIGHT),
)  # fmt: skip
BINOCULAR_CLOSE = _through_eyepiece(
    20_000 / (3.865 * 2.31), 1380,
    Optics(na=0.11, vignetting=0.14, field_stop_offset_um=(30, -18), residual_blur_um=0.5,
           lighting=_BINOCULAR_LIGHT),
)  # fmt: skip

# Vimmering School: its engraved magnifications are right to 1.3 %, its field number is 18.1.
_SCHOOL_LIGHT = Lighting(falloff=0.12, tint=(1.0, 0.96, 0.86))
SCHOOL_4 = _through_eyepiece(
    18_100 / 4.05, 1120,
    Optics(na=0.10, vignetting=0.05, field_stop_offset_um=(60, 90), lighting=_SCHOOL_LIGHT),
    turned=True,
)  # fmt: skip
SCHOOL_10 = _through_eyepiece(
    18_100 / 9.9, 1330,
    Optics(na=0.25, vignetting=0.05, field_stop_offset_um=(-20, 30), lighting=_SCHOOL_LIGHT),
    turned=True,
)  # fmt: skip
SCHOOL_40 = _through_eyepiece(
    18_100 / 39.5, 1120,
    Optics(na=0.65, vignetting=0.08, field_curvature_um=1.2, field_stop_offset_um=(4, -7),
           lateral_colour=(0.002, 0, -0.002), lighting=_SCHOOL_LIGHT),
    turned=True,
)  # fmt: skip

# Pellowick Table: every number true, and a soft lens.
_TABLE = Camera(
    1920, 1080, exposure=0.8, full_well_e=7000, read_noise_e=4, bits=10, jpeg_quality=97, serial=31
)
TABLE_WIDE = Setting(
    8.44, Optics(na=0.022, residual_blur_um=13, lighting=Lighting(gradient=(0.10, -0.05))), _TABLE
)
TABLE_CLOSE = Setting(
    0.3865,
    Optics(na=0.11, residual_blur_um=1.35, lighting=Lighting(gradient=(0.12, -0.08))),
    _TABLE,
)

# Gloamerby Grand: a sensor of 1920 x 1080, stored as 3840 x 2160.
_GRAND = Camera(
    1920, 1080, exposure=0.84, full_well_e=5000, read_noise_e=4, bits=10, denoise="gaussian",
    denoise_px=0.4, stored_size=(3840, 2160), resampling="bicubic", sharpening=0.7,
    sharpening_px=2.0, jpeg_quality=90, serial=41,
)  # fmt: skip
GRAND_WIDE = Setting(
    9.6, Optics(na=0.028, residual_blur_um=6, lighting=Lighting(falloff=0.18)), _GRAND
)
GRAND_CLOSE = Setting(
    0.67725,
    Optics(na=0.12, residual_blur_um=0.4,
           lighting=Lighting(falloff=0.2, hot_spots=2, hot_spot_level=0.12, hot_spot_size=0.10,
                             hot_spot_ring=0.72, hot_spot_phase_deg=80)),
    _GRAND,
)  # fmt: skip

# Nubbelow Wand: denoised, sharpened far too much, compressed hard, lit by a ring that glares.
_WAND = Camera(
    1600, 1200, exposure=0.70, full_well_e=3000, read_noise_e=5, bits=10, denoise="bilateral",
    denoise_px=2, sharpening=3.5, sharpening_px=1.8, jpeg_quality=68, serial=51,
)  # fmt: skip
_WAND_RING = Lighting(
    falloff=0.35, tint=(0.93, 1.0, 1.06), hot_spots=8, hot_spot_level=0.30, hot_spot_size=0.035,
    hot_spot_ring=0.42, stray=0.02,
)  # fmt: skip
WAND_WIDE = Setting(
    5.61, Optics(na=0.03, residual_blur_um=4,
                 lighting=replace(_WAND_RING, hot_spot_ring=0.25, hot_spot_size=0.02)),
    _WAND,
)  # fmt: skip
WAND_CLOSE = Setting(
    1.186, Optics(na=0.07, residual_blur_um=0.8, lateral_colour=(0.003, 0, -0.004),
                  lighting=_WAND_RING),
    _WAND,
)  # fmt: skip

# Skerrigaunt Boom: sharp and clean; barrel distortion of 5.9 % at the corner of the picture when wide
# (k1 -0.052).
_BOOM = Camera(
    2048, 1536, exposure=0.8, full_well_e=10_500, read_noise_e=2.5, bits=12,
    demosaicing="edge-aware", sharpening=0.25, sharpening_px=1.0, jpeg_quality=94, serial=61,
)  # fmt: skip
BOOM_WIDE = Setting(
    9.96, Optics(na=0.024, residual_blur_um=3, distortion_k1=-0.052, vignetting=0.06), _BOOM
)
BOOM_CLOSE = Setting(
    1.487,
    Optics(na=0.10, distortion_k1=-0.010, vignetting=0.04,
           lighting=Lighting(gradient=(0.05, 0.03))),
    _BOOM,
)  # fmt: skip

SETTINGS: dict[tuple[str, str], Setting] = {
    ("binocular", "zoom-0.62"): BINOCULAR_WIDE,
    ("binocular", "zoom-3.9-2.3x"): BINOCULAR_CLOSE,
    ("school", "objective-4"): SCHOOL_4,
    ("school", "objective-10"): SCHOOL_10,
    ("school", "objective-40"): SCHOOL_40,
    ("table", "far"): TABLE_WIDE,
    ("table", "near"): TABLE_CLOSE,
    ("grand", "far"): GRAND_WIDE,
    ("grand", "near"): GRAND_CLOSE,
    ("wand", "far"): WAND_WIDE,
    ("wand", "near"): WAND_CLOSE,
    ("boom", "zoom-0.54"): BOOM_WIDE,
    ("boom", "zoom-3.6"): BOOM_CLOSE,
}
"""Every setting by the ids of `bench.toml`."""
