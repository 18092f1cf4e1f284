"""Inputs made to mislead: does any measurement answer wrongly with confidence?

`python -m studies.attack [CLASS ...] [--quick] [--keep FILE]`, or `make attack`. Nothing here is
drawn by `glassay.simulate`: scenes come from NumPy, OpenCV, Pillow and PyAV, from photographs shipped
with scikit-image and scikit-learn, and from a camera and a screen of this study's own
(`studies.attack.drawing`). Measurements are asked through the command line's face.

Each module of a class offers `KINDS`: for every kind of input its number of inputs and a function
`(rng, folder) -> Outcome` that draws one, asks, and sorts the answer by the truth it drew from.
"""
