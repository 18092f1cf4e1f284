"""Accuracy studies on simulated captures with known truth, and on photographs without any scale.

`python -m studies` prints them all, `python -m studies scale` one. Each module offers
`report(quick: bool) -> str`: a printed table with the target beside every figure.
"""
