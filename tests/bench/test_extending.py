"""The example of docs/extending.md, installed as a package of its own and used by every face."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

PAGE = Path(__file__).parents[2] / "docs" / "extending.md"

BENCH = """
[[object]]
id = "card"
kind = "flat field"

[[instrument]]
id = "pad"
kind = "screen"

[[instrument.claim]]
kind = "brightness"
value = "20 %"
where = "box"

[[instrument.claim]]
id = "bold"
kind = "brightness"
value = "90 %"
where = "listing"

[[capture]]
files = ["card.png"]
object = "card"
instrument = "pad"
"""

WORKBENCH = """
import sys
from pathlib import Path
from fastapi.testclient import TestClient
from glassay.web import create_app

client = TestClient(create_app(Path(sys.argv[1]), "token"), base_url="http://127.0.0.1:8451")
client.get("/?token=token")
with client:
    for words in sys.argv[2:]:
        sys.stdout.write(client.get(words).text)
"""


def blocks(language: str) -> str:
    found = re.findall(rf"```{language}\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert found
    return "\n\n".join(found)


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that holds the page's package as an installer would leave it."""
    site = tmp_path_factory.mktemp("site")
    (site / "brightness.py").write_text(blocks("python"), encoding="utf-8")
    info = site / "brightness-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: brightness\nVersion: 1.0\n")
    groups = tomllib.loads(blocks("toml"))["project"]["entry-points"]
    lines = [
        f"[{group}]\n" + "\n".join(f"{name} = {where}" for name, where in points.items())
        for group, points in groups.items()
    ]
    (info / "entry_points.txt").write_text("\n\n".join(lines))
    return site


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    (folder / "bench.toml").write_text(BENCH)
    grey = np.random.default_rng(3).normal(150, 3, (240, 320)).astype(np.uint8)
    Image.fromarray(grey).save(folder / "card.png")
    return folder


def glassay(site: Path, *words: str | Path) -> subprocess.CompletedProcess[str]:
    script = "import sys; from glassay.cli import main; sys.argv[0] = 'glassay'; main()"
    path = os.pathsep.join([str(site), os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, "-c", script, *map(str, words)], capture_output=True, text=True,
        env=os.environ | {"PYTHONPATH": path}, check=False,
    )  # fmt: skip


def test_the_table_and_the_verdicts_know_the_new_finding(installed: Path, bench: Path) -> None:
    ran = glassay(installed, "run", bench, "--full", "--jobs", "2")
    assert ran.returncode == 0, ran.stderr
    results = json.loads((bench / "results" / "results.json").read_text())
    words = {one["stated"]: one["verdict"] for one in results["verdicts"]}
    # Grey 150 of 255 is 30.5 % of linear light (IEC 61966-2-1).
    assert words == {"20 %": "met", "90 %": "not met"}
    assert "brightness 20 % (box) is met: it is 30." in ran.stdout
    (row,) = results["comparison"]["rows"]
    assert row["cells"]["brightness"]["value"]["value"] == pytest.approx(30.5, abs=0.3)


def test_the_page_draws_its_evidence(installed: Path, bench: Path) -> None:
    ran = glassay(installed, "report", bench)
    assert ran.returncode == 0, ran.stderr
    page = (bench / "results" / "report.html").read_text()
    assert "Mean light 30." in page
    assert "brightness of the field" in page


def test_the_workbench_lays_its_shapes_over_the_photo(installed: Path, bench: Path) -> None:
    path = os.pathsep.join([str(installed), os.environ.get("PYTHONPATH", "")])
    glassay(installed, "run", bench)
    ran = subprocess.run(
        [sys.executable, "-c", WORKBENCH, str(bench), "/capture?id=card.png"],
        capture_output=True, text=True, env=os.environ | {"PYTHONPATH": path}, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    assert "brightness of the field" in ran.stdout
    assert "the whole photo counted" in ran.stdout
    assert "M0 0H320V240H0Z" in ran.stdout


def test_its_command_is_one_of_the_commands(installed: Path, bench: Path) -> None:
    ran = glassay(installed, "brightness", bench / "card.png")
    assert ran.returncode == 0, ran.stderr
    assert "% of full scale" in ran.stdout
    assert "how bright a flat field is" in glassay(installed, "--help").stdout
    assert "how bright" not in glassay(Path(), "--help").stdout


def test_what_is_open_asks_for_its_shot(installed: Path, bench: Path, tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(BENCH.partition("[[capture]]")[0])
    ran = glassay(installed, "shots", tmp_path)
    assert ran.returncode == 0, ran.stderr
    assert "a photo of an evenly lit plain card" in ran.stdout


def test_one_that_cannot_be_loaded_is_named_in_one_line(bench: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    info = site / "broken-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: broken\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[glassay.methods]\nbroken = nowhere:METHOD\n")
    claims = BENCH.index("[[instrument.claim]]"), BENCH.index("[[capture]]")
    (tmp_path / "bench.toml").write_text(BENCH[: claims[0]] + BENCH[claims[1] :])
    (tmp_path / "card.png").write_bytes((bench / "card.png").read_bytes())
    ran = glassay(site, "run", tmp_path)
    assert ran.returncode == 2
    assert ran.stderr.startswith(
        "glassay: the extension 'broken' (nowhere:METHOD) cannot be loaded"
    )
    assert "Traceback" not in ran.stderr
