"""What physics says about an optical chain: readings of magnification, limits, transfer."""

from glassay.optics.chain import Chain, Display, Sensor
from glassay.optics.readings import Reading
from glassay.optics.stated import chain_limits, chain_notes, chain_readings

__all__ = ["Chain", "Display", "Reading", "Sensor", "chain_limits", "chain_notes", "chain_readings"]
