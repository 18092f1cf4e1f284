#!/usr/bin/env bash
# Installs the wheel alone, in a fresh environment of each Python named, and does a small job with it:
# a bench is begun, two photos filed, measured, reported, packed and the archive checked.
# usage: release/wheel_test.sh WHEEL PYTHON...
set -euo pipefail
wheel=$(realpath "$1")
shift
for python in "$@"; do
    room=$(mktemp -d)
    trap 'rm -rf "$room"' EXIT
    "$python" -m venv "$room/venv"
    "$room/venv/bin/pip" install --quiet --disable-pip-version-check "$wheel"
    glassay="$room/venv/bin/glassay"
    cd "$room" # no source within reach
    "$room/venv/bin/python" - <<'PHOTO'
import numpy as np
from PIL import Image, ImageDraw

# Lines 10 um apart at 1.25 um/px: 8 px each, drawn fourfold and made smaller.
for number in range(2):
    canvas = Image.new("L", (1600, 960), 235)
    draw = ImageDraw.Draw(canvas)
    for line in range(46):
        x = 60 + 7 * number + 32 * line
        long = 250 if line % 10 == 0 else 200 if line % 5 == 0 else 140
        draw.rectangle([x - 3, 480 - long, x + 3, 480 + long], fill=40)
    small = np.asarray(canvas.resize((400, 240), Image.Resampling.BOX), dtype=float)
    noisy = small + np.random.default_rng(number).normal(0, 1.5, small.shape)
    Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8)).save(f"photo-{number}.png")
PHOTO
    "$glassay" new bench
    cat >>bench/bench.toml <<'TEXT'

[[object]]
id = "drawn"
kind = "ruled scale"
division = "10 um"

[[instrument]]
id = "pad"
kind = "USB"
TEXT
    "$glassay" add bench photo-0.png photo-1.png --instrument pad --object drawn
    "$glassay" run bench --json >answer.json
    "$room/venv/bin/python" - <<'LOOK'
import json

found = [one["findings"]["pixel_size"] for one in json.load(open("answer.json"))["captures"]]
assert len(found) == 2
for size in found:
    assert abs(size["value"] - 1.25) <= size.get("k", 2) * size["u"], size
LOOK
    "$glassay" report bench
    "$glassay" pack bench --out bench.zip
    "$glassay" check bench.zip
    "$glassay" completion bash >/dev/null
    cd - >/dev/null
    rm -rf "$room"
    echo "the wheel alone works with $("$python" --version)"
done
