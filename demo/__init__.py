"""The demo: a made-up comparison of six invented microscopes, photographed by a virtual bench.

`python -m demo [FOLDER]` builds it and runs it. `docs/demo.md` tells the story. Everything that the
program is not told stands in `demo.instruments`: what each microscope really is.
"""
