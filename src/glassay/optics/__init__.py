"""What physics says about an optical chain: readings of magnification, limits, transfer."""

from glassay.optics.chain import Chain, Display, Sensor
from glassay.optics.readings import Reading, chain_readings

__all__ = ["Chain", "Display", "Reading", "Sensor", "chain_readings"]
