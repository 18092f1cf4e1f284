"""Speed, as ratios to a reference run in the same process: decode the file, take one real FFT.

`python -m benchmarks` prints them all, `python -m benchmarks scale` one. Each module offers
`report() -> str`. Nothing here decides a test.
"""
