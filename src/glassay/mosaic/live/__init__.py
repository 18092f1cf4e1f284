"""The mosaic while the stage is moved by hand: frames placed one after the other.

from glassay.mosaic.live import GrowingMap

growing = GrowingMap()
told = growing.look(grey, at_s)     # a frame (height, width), 8 bit, and its time
told.state, told.place, told.kept   # "taken", where it lies, the number of the new tile
"""

from glassay.mosaic.live.growing import GrowingMap
from glassay.mosaic.live.picture import Place
from glassay.mosaic.live.told import State, Tile, Told

__all__ = ["GrowingMap", "Place", "State", "Tile", "Told"]
