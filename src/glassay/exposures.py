"""How far exposures of one scene may differ by anything but noise, for all that compares them."""

OTHER_LIGHT = 1.1
"""Ratio of the mean light of two exposures up to which they count as alike: a lamp flickers by less,
another exposure time by more (common practice, no source)."""

FOLLOWING_SHARE = 0.02
"""Share of the variance of the difference of two exposures that may follow the scene's detail unsaid:
it makes noise 1 % too strong. Pairs that differ by noise alone gave up to 0.001, refocused ones and
those of half a new scene 0.02 to 0.8."""

LEAST_OVER_NOISE = 4.0
"""Power of detail over that of noise below which none is seen in a run through focus. Noise alone, 30
photos: 3.4 at the 99.9th percentile of places, 4.05 at most."""
