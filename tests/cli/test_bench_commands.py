"""`glassay new`, `add` and `run`: from an empty folder to a comparison, and every way to fail."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest
from PIL import Image
from tests.bench.slides import draw_slide

from glassay.cli import main

PAD = """
[[instrument]]
id = "pad"
name = "Pad [with screen]"
kind = "screen"
price = { list = "99 EUR" }
[[instrument.setting]]
id = "near"
[[instrument.setting]]
id = "far"
[[instrument.claim]]
kind = "magnification"
value = "1600x"
where = "box"
"""


class Shell:
    """Runs commands as `main` would, and remembers what they printed."""

    def __init__(self, capsys: pytest.CaptureFixture[str], patch: pytest.MonkeyPatch) -> None:
        self._capsys = capsys
        self._patch = patch

    def __call__(self, *arguments: object, answers: str = "") -> tuple[int, str, str]:
        """Exit status, output and errors of `glassay ARGUMENTS`."""
        self._patch.setattr(sys, "argv", ["glassay", *map(str, arguments)])
        self._patch.setattr(sys, "stdin", io.StringIO(answers))
        try:
            main()
            status = 0
        except SystemExit as done:
            status = int(done.code or 0)
        out = self._capsys.readouterr()
        return status, out.out, out.err


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shell:
    return Shell(capsys, monkeypatch)


@pytest.fixture(scope="module")
def slide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("photos")
    return draw_slide(folder / "pad" / "near" / "slide.png", pixel_size_um=1.25)


@pytest.fixture
def bench(shell: Shell, tmp_path: Path) -> Path:
    assert shell("new", tmp_path / "b", "--title", "Two evenings")[0] == 0
    path = tmp_path / "b" / "bench.toml"
    path.write_text(path.read_text(encoding="utf-8") + PAD, encoding="utf-8")
    return tmp_path / "b"


def one_line(status_out_err: tuple[int, str, str], status: int) -> str:
    """The error of a command that must end with `status` and exactly one line on stderr."""
    found, _, errors = status_out_err
    assert found == status
    assert errors.count("\n") == 1
    assert "Traceback" not in errors
    return errors


def test_from_an_empty_folder_to_a_comparison(
    shell: Shell, bench: Path, slide: Path, tmp_path: Path
) -> None:
    status, out, _ = shell("add", bench, slide, "--yes")
    assert status == 0
    assert "slide.png filed as captures/pad/near/slide.png" in out
    # Nothing says which setting is the closer one, so that the claim takes both.
    out = shell("run", bench, "--full")[1]
    assert "1600x (box) is untested: it takes a photo of a ruled scale in setting far" in out
    far = draw_slide(tmp_path / "pad" / "far" / "slide.png", pixel_size_um=1.6)
    assert shell("add", bench, far, "--yes")[0] == 0
    status, out, errors = shell("run", bench, "--full")
    assert status == 0
    assert "not measured" not in errors
    # The answer first: the table, then the verdicts, then the assumptions.
    assert out.index("Two evenings") < out.index("1600x (box) is not met") < out.index("0.2%")
    assert "Pad [with screen]" in out
    assert "99.00 EUR" in out
    assert shell("add", bench, slide, "--yes")[1].count("is filed already as") == 1


def test_the_comparison_as_data(shell: Shell, bench: Path, slide: Path) -> None:
    shell("add", bench, slide, "--yes")
    status, out, _ = shell("run", bench, "--json", "--jobs", 1)
    assert status == 0
    data = json.loads(out)
    assert data == json.loads((bench / "results" / "results.json").read_text())
    found = data["captures"][0]["findings"]["pixel_size"]
    assert found["value"] == pytest.approx(1.25, abs=2 * found["k"] * found["u"])
    assert found["unit"] == "um/px"
    assert data["comparison"]["rows"][0]["id"] == "pad"


def test_a_fresh_bench_runs_and_says_what_is_missing(shell: Shell, tmp_path: Path) -> None:
    assert shell("new", tmp_path / "fresh")[0] == 0
    status, out, errors = shell("run", tmp_path / "fresh")
    assert (status, errors.strip()) == (0, "")
    assert "no instruments" in out


def test_what_is_not_given_is_asked_with_a_suggestion(
    shell: Shell, bench: Path, tmp_path: Path
) -> None:
    photo = tmp_path / "IMG_1.png"
    Image.new("L", (40, 30), 90).save(photo)
    status, out, asked = shell("add", bench, photo, answers="far\n")
    assert status == 0
    assert "setting (near, far)" in asked
    assert "captures/pad/far/IMG_1.png" in out
    # The next one is suggested to be like the one before in the same command.
    for shade in (1, 2):
        Image.new("L", (40, 30), shade).save(tmp_path / f"x{shade}.png")
    status, out, asked = shell("add", bench, tmp_path / "x1.png", tmp_path / "x2.png",
                               answers="near\n\n")  # fmt: skip
    assert status == 0
    assert "[near]" in asked
    assert out.count("captures/pad/near/") == 2


def test_options_decide_without_questions(shell: Shell, bench: Path, tmp_path: Path) -> None:
    photo = tmp_path / "IMG_1.png"
    Image.new("L", (40, 30), 90).save(photo)
    status, out, asked = shell("add", bench, photo, "--instrument", "pad", "--setting", "far",
                               "--object", "slide")  # fmt: skip
    assert (status, asked) == (0, "")
    assert "captures/pad/far/IMG_1.png" in out


def test_adding_fails_in_one_line(shell: Shell, bench: Path, tmp_path: Path) -> None:
    photo = tmp_path / "IMG_1.png"
    Image.new("L", (40, 30), 90).save(photo)
    (tmp_path / "empty.jpg").write_bytes(b"")
    before = (bench / "bench.toml").read_bytes()
    cases = [
        ((photo, "--yes"), "give --setting (near, far)"),
        ((photo, "--instrument", "pat"), "did you mean 'pad'?"),
        ((photo, "--setting", "nearer"), "did you mean 'near'?"),
        ((photo, "--setting", "near", "--object", "sldie"), "did you mean 'slide'?"),
        ((tmp_path / "none.jpg", "--yes"), "no such file"),
        ((tmp_path / "empty.jpg", "--setting", "near"), "empty"),
    ]
    for arguments, expected in cases:
        assert expected in one_line(shell("add", bench, *arguments), 2)
    assert "no answer came" in shell("add", bench, photo)[2]
    assert (bench / "bench.toml").read_bytes() == before
    assert list((bench / "captures").iterdir()) == []


def test_commands_on_what_is_no_bench_fail_in_one_line(shell: Shell, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    assert "no bench folder" in one_line(shell("run", tmp_path / "none"), 2)
    assert "holds no bench.toml" in one_line(shell("run", tmp_path), 2)
    assert "no bench folder" in one_line(shell("add", tmp_path / "file", tmp_path / "file"), 2)
    assert one_line(shell("new", tmp_path / "file"), 2)
    shell("new", tmp_path / "b")
    assert "exists already" in one_line(shell("new", tmp_path / "b"), 2)
    assert "no instruments" in one_line(shell("add", tmp_path / "b", tmp_path / "file"), 2)


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ('value = "1600x"', 'value = "1600"', "has no unit"),
        ('id = "near"', 'id = "far"', "the setting 'far' stands already"),
        ('kind = "screen"', 'kind = "scren"', "did you mean 'screen'?"),
        ('division = "10 um"', 'division = "10 um"\nlength = "1 mm"\ndivisions = 10',
         "contradictory divisions"),
        ('id = "slide"', 'id = "slide', "not valid TOML"),
        ("[[instrument]]", '[[instrument]]\nid = "pad"\nkind = "USB"\n\n[[instrument]]',
         "the instrument 'pad' stands already"),
        ("[[instrument]]",
         '[[capture]]\nfile = "captures/x.jpg"\ninstrument = "pad"\nsetting = "near"\n'
         'object = "slide"\n\n[[instrument]]',
         "there is no file 'captures/x.jpg'"),
    ],
)  # fmt: skip
def test_nothing_half_valid_runs(
    shell: Shell, bench: Path, before: str, after: str, expected: str
) -> None:
    path = bench / "bench.toml"
    text = path.read_text(encoding="utf-8")
    head, found, tail = text.rpartition(f"\n{before}")
    assert found
    path.write_text(f"{head}\n{after}{tail}", encoding="utf-8")
    said = one_line(shell("run", bench), 2)
    assert expected in said
    assert "bench.toml line " in said
    assert not (bench / "results").exists()


def test_refused_and_damaged_captures_end_a_run_with_their_status(
    shell: Shell, bench: Path, tmp_path: Path, slide: Path
) -> None:
    Image.new("L", (1, 1), 90).save(tmp_path / "dot.png")
    shell("add", bench, tmp_path / "dot.png", "--setting", "far")
    # Nothing at all could be measured: 3, with the reason.
    assert "dot.png: not measured" in one_line(shell("run", bench), 3)
    shell("add", bench, slide, "--yes")
    status, out, errors = shell("run", bench, "--jobs", 1, "--full")
    assert status == 0
    assert "1600x (box) is untested: it takes a photo of a ruled scale in setting far" in out
    assert "dot.png: not measured" in errors
    # A file damaged after it was filed: the others are measured all the same, and the status is 2.
    filed = bench / "captures" / "pad" / "far" / "dot.png"
    filed.write_bytes(filed.read_bytes()[:20])
    status, out, errors = shell("run", bench, "--jobs", 1, "--full")
    assert status == 2
    assert "1600x (box) is untested: it takes a photo of a ruled scale in setting far" in out
    assert "dot.png: not measured: the file is damaged or cut off" in errors


def test_an_unwritable_results_folder_ends_a_run_in_one_line(shell: Shell, bench: Path) -> None:
    (bench / "results").write_text("a file in the way")
    assert "results go there" in one_line(shell("run", bench), 2)


def test_a_name_that_is_none_or_too_long_starts_no_bench(
    shell: Shell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("", "  ", "\t"):
        assert "is no name for a folder" in one_line(shell("new", name), 2)
    # 255 bytes is the longest name in a folder (NAME_MAX of POSIX systems, common practice).
    for name in ("n" * 300, tmp_path / ("n" * 300), tmp_path / ("n" * 300) / "b"):
        assert len(one_line(shell("new", name), 2)) < 160
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments", [("add", "{}", "x.png"), ("run", "{}"), ("scale", "{}", "--division", "10um"),
                  ("edge", "x.png", "--figure", "{}.png"), ("clip", "{}"), ("check", "{}")],
)  # fmt: skip
def test_a_name_that_is_too_long_is_one_line(shell: Shell, arguments: tuple[str, ...]) -> None:
    one_line(shell(*(one.format("n" * 300) for one in arguments)), 2)


def test_a_measured_bench_that_cannot_be_written_to_is_reported_elsewhere(
    shell: Shell, bench: Path, slide: Path, tmp_path: Path
) -> None:
    shell("add", bench, slide, "--yes")
    assert shell("run", bench, "--jobs", 1)[0] == 0
    # In the way of what is written there, also for a user to whom permissions mean nothing.
    for name in ("results.json", "contents.json"):
        (bench / "results" / name).unlink()
        (bench / "results" / name / "in-the-way").mkdir(parents=True)
    one_line(shell("report", bench), 2)
    before = sorted(bench.rglob("*"))
    status, _, errors = shell("report", bench, "--out", tmp_path / "elsewhere")
    assert (status, errors) == (0, "")
    assert (tmp_path / "elsewhere" / "report.html").is_file()
    assert sorted(bench.rglob("*")) == before


def test_a_bench_that_is_not_measured_cannot_be_reported_so(
    shell: Shell, bench: Path, slide: Path, tmp_path: Path
) -> None:
    shell("add", bench, slide, "--yes")
    (bench / "results").write_text("in the way")
    one_line(shell("report", bench, "--out", tmp_path / "elsewhere"), 2)
    assert not (tmp_path / "elsewhere").exists()


def test_a_run_of_photos_is_filed_as_one_capture(shell: Shell, bench: Path, tmp_path: Path) -> None:
    path = bench / "bench.toml"
    path.write_text(path.read_text() + '\n[[object]]\nid = "run"\nkind = "focus run"\n')
    (tmp_path / "steps").mkdir()
    for number in (1, 2, 10):
        Image.new("L", (8, 8), 20 * number).save(tmp_path / "steps" / f"z{number}.png")
    given = ("--instrument", "pad", "--setting", "near", "--object", "run")
    status, out, _ = shell("add", bench, tmp_path / "steps", *given)
    assert status == 0
    assert "one focus run: z1.png, z2.png, z10.png" in out
    assert path.read_text().count("\n[[capture]]") == 1
    # Added again, without being told anything, it is known by its content.
    status, out, _ = shell("add", bench, tmp_path / "steps", "--yes")
    assert (status, out.count("is filed already as")) == (0, 3)
    told = shell("add", bench, tmp_path / "steps" / "z1.png", *given[:-1], "slide")
    assert "--also" in one_line(told, 2)
    assert path.read_text().count("\n[[capture]]") == 1
