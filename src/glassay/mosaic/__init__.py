"""Metrically true mosaics: many photos of one chip, placed together with one shared camera.

from glassay.mosaic import place_tiles, write_mosaic

result = place_tiles(paths, pixel_size=Quantity.of(0.5, 0.001, "um/px"))
result.findings()["width"]
write_mosaic(result, folder)
"""

from glassay.mosaic.document import MosaicDocument, PhotoOfMosaic
from glassay.mosaic.measure import place_tiles
from glassay.mosaic.overview import outlines, overview
from glassay.mosaic.placement import Placement
from glassay.mosaic.result import MosaicResult, Where
from glassay.mosaic.schedule import Workers
from glassay.mosaic.store import MosaicTiles
from glassay.mosaic.write import drawing_in, remove_numbers, write_mosaic, write_placed
from glassay.mosaic_files import NUMBERS, PICTURE

__all__ = [
    "NUMBERS", "PICTURE", "MosaicDocument", "MosaicResult", "MosaicTiles", "PhotoOfMosaic",
    "Placement", "Where", "Workers", "drawing_in", "outlines", "overview", "place_tiles",
    "remove_numbers", "write_mosaic", "write_placed",
]  # fmt: skip
