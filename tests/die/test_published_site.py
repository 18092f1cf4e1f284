"""A published site: whole, offline, accessible, and derived again from its own archive."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from glassay.cli.commands.publish import command
from glassay.errors import Unusable
from glassay.report.publish import publish
from tests.cli.test_mistakes_on_the_command_line import run
from tests.die.benches import bench_of_a_die
from tests.die.drawn import DIE, pads_um
from tests.web.browser import Watched, chromium

Capsys = pytest.CaptureFixture[str]

NOTES = """
[about]
maker = "</script><b>"
opened = "by a licensed workshop"
[[layer]]
name = "once more"
picture = "../captures/chip-one.png"
[[region]]
kind = "memory"
name = "left array"
box = [200, 200, 300, 200]
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site of one chip, published from a small bench."""
    made = tmp_path_factory.mktemp("published")
    bench = bench_of_a_die(made / "quay", notes=NOTES, run=False)
    done = CliRunner().invoke(command, [
        str(bench), "--out", str(made / "site"), "--address", "https://chips.example.org/",
        "--title", "Chips & more", "--credit", 'Ada "the lens" B.', "--licence", "CC BY 4.0",
        "--licence-address", "https://creativecommons.org/licenses/by/4.0/", "--jobs", "1",
    ])  # fmt: skip
    assert done.exit_code == 0, done.output
    return made / "site"


def test_every_link_of_a_site_leads_to_a_file_of_it(site: Path) -> None:
    for page in site.rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        for link in re.findall(r'(?:href|src)="([^"#]+)', text):
            if not link.startswith(("data:", "https://creativecommons.org/")):
                assert (page.parent / link).is_file(), link
        assert "</script><b>" not in text
    (chip,) = json.loads((site / "site.json").read_text(encoding="utf-8"))["chips"]
    page = (site / chip["page"]).read_text(encoding="utf-8")
    for words in (
        "Gull &amp; chick",
        "CC BY 4.0",
        "licensed workshop",
        "lithium",
        "hot air",
        "lasers",
    ):
        assert words in page, words
    # no line ends within a number of a layer's caption
    assert re.search(r"registered to [\d.]+\u00a0µm", page)
    manifest = json.loads((site / chip["page"]).with_name("manifest.json").read_text("utf-8"))
    # Presentation API 3.0: rights names the licence with http, as Creative Commons gives it
    assert manifest["rights"] == "http://creativecommons.org/licenses/by/4.0/"
    assert manifest["id"].startswith("https://chips.example.org/chips/")


def test_the_citation_file_has_what_its_format_requires(site: Path) -> None:
    """Citation File Format 1.2.0: cff-version, message, title and authors are required."""
    import yaml

    cited = yaml.safe_load((site / "CITATION.cff").read_text(encoding="utf-8"))
    assert cited["cff-version"] == "1.2.0"
    assert cited["title"] == "Chips & more"
    assert cited["authors"] == [{"name": 'Ada "the lens" B.'}]
    assert cited["type"] == "dataset"
    assert cited["message"]


def test_the_die_of_a_site_is_that_of_the_drawing(site: Path) -> None:
    (path,) = site.glob("chips/*/sheet.json")
    data = json.loads(path.read_text(encoding="utf-8"))
    width = data["findings"]["width"]
    assert abs(width["value"] - float(DIE.facts()["sawn_width_um"])) <= 2.2 * width["u"]
    assert data["findings"]["pads"]["value"] == len(pads_um())


def test_checking_a_site_derives_its_dies_again_and_finds_what_was_changed(
    site: Path, tmp_path: Path, capsys: Capsys
) -> None:
    status, said, _ = run(capsys, "check", site, "--checksums-only", "--json")
    assert status == 0
    assert json.loads(said)["files"] == sum(path.is_file() for path in site.rglob("*")) - 1
    copy = Path(shutil.copytree(site, tmp_path / "copy"))
    (sheet,) = copy.glob("chips/*/sheet.json")
    data = json.loads(sheet.read_text(encoding="utf-8"))
    data["findings"]["width"]["value"] *= 1.001
    sheet.write_text(json.dumps(data), encoding="utf-8")
    (copy / "more.html").write_text("added later", encoding="utf-8")
    status, said, _ = run(capsys, "check", copy, "--checksums-only", "--json")
    told = json.loads(said)
    assert status == 1
    assert told["damaged"] == [f"{sheet.relative_to(copy)} is not what was published (SHA-256)"]
    assert told["unlisted"] == ["more.html"]
    # whoever changes a number and its checksum is found by deriving it again
    (copy / "more.html").unlink()
    sums = copy / "SHA256SUMS"
    name = sheet.relative_to(copy).as_posix()
    digest = hashlib.sha256(sheet.read_bytes()).hexdigest()
    sums.write_text(
        re.sub(rf"[0-9a-f]{{64}}  {re.escape(name)}", f"{digest}  {name}", sums.read_text()),
        encoding="utf-8",
    )
    status, said, _ = run(capsys, "check", copy, "--jobs", "1", "--json")
    told = json.loads(said)
    assert told["measured"]
    assert told["numbers"] > 200
    (difference,) = told["differences"]  # all others came out as published
    assert status == 1
    assert difference["where"].endswith("findings.width.value")


def test_nobody_publishes_over_other_things_or_without_a_name(
    site: Path, tmp_path: Path, capsys: Capsys
) -> None:
    bench = site.parent / "quay"
    with pytest.raises(Unusable, match="--credit"):
        publish([], tmp_path / "new", "Chips")
    assert not (tmp_path / "new").exists()
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("mine", encoding="utf-8")
    status, _, error = run(
        capsys, "publish", bench, "--out", tmp_path / "mine", "--credit", "A", "--jobs", "1"
    )
    assert status == 2
    assert "something else than a site" in error
    assert (tmp_path / "mine" / "letter.txt").read_text(encoding="utf-8") == "mine"


@pytest.mark.browser
def test_the_whole_die_and_its_layers_are_seen_in_one_window(site: Path) -> None:
    """At 1400 x 900 px, and lower: with the bar above the layers and what is said of both below."""
    (page,) = site.glob("chips/*/index.html")
    with chromium() as browser:
        for height in (900, 700):
            seen = Watched(browser, site.as_uri(), viewport={"width": 1400, "height": height})
            seen.page.goto(page.as_uri())
            told = seen.page.evaluate("""() => {
              const at = (what) => document.querySelector(what).getBoundingClientRect();
              const font = (what) => getComputedStyle(document.querySelector(what)).font;
              return {
                layers: at(".layers-said").bottom - at(".layers-bar").top,
                photo: at(".stage .photo").height,
                fonts: [font(".layers-said"), font(".layers figcaption")],
              };
            }""")
            assert told["layers"] < height
            assert told["photo"] < 0.8 * height
            assert told["fonts"][0] == told["fonts"][1]
            assert seen.troubles == []


@pytest.mark.browser
def test_the_site_works_from_a_folder_and_asks_nobody(site: Path) -> None:
    (page,) = site.glob("chips/*/index.html")
    with chromium() as browser:
        for size in ({"width": 1280, "height": 900}, {"width": 390, "height": 844}):
            seen = Watched(browser, site.as_uri(), viewport=size)
            failed: list[str] = []
            seen.page.on("requestfailed", lambda request: failed.append(request.url))  # noqa: B023
            seen.page.goto((site / "index.html").as_uri())
            assert seen.faults() == []
            seen.page.click("main a")
            assert seen.page.url == page.as_uri()
            assert seen.faults() == []
            # layers: the slider goes by keys, and blinking is stopped by Escape
            slider = seen.page.get_by_label("Boundary")
            slider.press("Home")
            assert slider.input_value() == "0"
            seen.page.get_by_role("button", name="Blink").click()
            seen.page.wait_for_selector(".layers .over.away", state="hidden")
            seen.page.get_by_role("button", name="Blink").press("Escape")
            assert seen.page.locator(".layers .over.away").count() == 0
            with seen.page.expect_request(re.compile(r"/tiles/.*default\.jpg$")):
                seen.page.keyboard.press("Tab")
                seen.page.click("#look-closer")
            for _ in range(3):
                seen.page.click("[data-does=in]")
            seen.page.wait_for_function("document.querySelector('.deep .rule').textContent !== ''")
            seen.page.click("[data-does=marks]")
            assert seen.page.locator(".deep svg").is_hidden()
            assert seen.faults() == []
            wide = seen.page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0
            assert (seen.troubles, failed) == ([], [])
