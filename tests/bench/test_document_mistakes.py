"""`bench.toml`: what is right is read, what is wrong is reported on its line."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from glassay.bench.document.line_numbers import key_lines
from glassay.bench.document.mistakes import BenchMistakes
from glassay.bench.document.model import Money
from glassay.bench.document.read import load_bench, parse_bench
from glassay.bench.keeping.filing import start_bench
from glassay.errors import Unusable

GOOD = """\
[bench]
title = "Chip evening"
display = { diagonal = "24 in", pixels = "1920 x 1080" }

[[object]]
id = "slide"
kind = "ruled scale"
length = "1 mm"
divisions = 100
certificate = { division = "10.003 um", expanded = "0.006 um" }

[[instrument]]
id = "stereo"
kind = "stereo"
price = { list = "420 EUR", camera = "80 EUR" }
standalone = true
clearance = "90 mm"

[instrument.chain]
zoom = "0.7x to 4.5x"
auxiliary = "2x"
eyepiece = "10x"
field_number = "20 mm"
sensor_pitch = "3.4 um"
sensor_pixels = "640 x 480"

[[instrument.setting]]
id = "low"
zoom = "0.7x"

[[instrument.setting]]
id = "high"
zoom = "4.5x"
eyepiece = "25x"
field_number = "9 mm"

[[instrument.claim]]
kind = "magnification"
value = "14x to 225x"
where = "box"

[[instrument.claim]]
kind = "other"
value = "solid metal stand"
where = "listing"

[[instrument.observation]]
what = "light flickers"
date = 2026-05-01

[[capture]]
file = "captures/a.png"
instrument = "stereo"
setting = "high"
object = "slide"
box = [1, 2, 30, 40]

[[need]]
id = "pads"
statement = "see pads of 60 um"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "a.png").write_bytes(b"x")
    return tmp_path


def mistakes(text: str, folder: Path) -> list[str]:
    with pytest.raises(BenchMistakes) as caught:
        parse_bench(text, folder)
    return str(caught.value).splitlines()


def with_change(before: str, after: str) -> tuple[str, int]:
    """GOOD with one change, and the line on which the change stands."""
    assert GOOD.count(before) == 1
    line = GOOD[: GOOD.index(before)].count("\n") + 1
    return GOOD.replace(before, after), line


def test_a_good_document_is_read_in_full(folder: Path) -> None:
    bench = parse_bench(GOOD, folder)
    assert bench.title == "Chip evening"
    assert bench.display is not None
    assert bench.display.width_mm == pytest.approx(531.3, abs=0.1)
    slide = bench.object("slide")
    assert slide.division_um == pytest.approx(10)
    assert slide.certificate is not None
    assert (slide.certificate.division_um, slide.certificate.k) == (10.003, 2)
    stereo = bench.instrument("stereo")
    assert stereo.price.total == Money(500, "EUR")
    assert stereo.clearance_um == pytest.approx(90_000)
    assert stereo.chain.to_eye == pytest.approx((14, 90))
    high = stereo.setting("high").chain
    assert high.to_eye == pytest.approx((225, 225))
    assert high.field_number_mm == pytest.approx(9)
    assert high.sensor == stereo.chain.sensor
    top, low, words = stereo.claims
    assert (top.value, top.sense, low.value, low.sense) == (225, "at least", 14, "at most")
    assert low.is_low_end
    assert words.value is None
    assert stereo.observations[0].date == "2026-05-01"
    (capture,) = bench.captures
    assert (capture.id, capture.setting, capture.box) == ("captures/a.png", "high", (1, 2, 30, 40))
    assert bench.needs[0].statement == "see pads of 60 um"


def test_the_starting_template_is_a_good_document(tmp_path: Path) -> None:
    start_bench(tmp_path / "new", 'A "quoted" title\nof two lines')
    bench = load_bench(tmp_path / "new")
    assert bench.title == 'A "quoted" title\nof two lines'
    assert bench.object("slide").division_um == 10


def test_every_example_in_the_template_is_good_when_uncommented(tmp_path: Path) -> None:
    start_bench(tmp_path / "new")
    text = (tmp_path / "new" / "bench.toml").read_text(encoding="utf-8")
    lines = []
    for line in text.splitlines():
        bare = line.removeprefix("# ")
        is_example = bare.startswith("[") or ("= " in bare and bare.split(" = ")[0].isidentifier())
        lines.append(bare if line.startswith("# ") and is_example else line)
    # A certificate or a tolerance, not both.
    full = "\n".join(line for line in lines if not line.startswith('tolerance = "0.2 %"'))
    photo = tmp_path / "new" / "captures" / "desk-stereo" / "slide.jpg"
    photo.parent.mkdir(parents=True)
    photo.write_bytes(b"x")
    bench = parse_bench(full, tmp_path / "new")
    stereo = bench.instrument("desk-stereo")
    assert stereo.setting("zoom-4.5").through_eyepiece
    assert len(stereo.claims) == 2
    assert len(bench.captures) == 1


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ('auxiliary = "2x"', 'auxilary = "2x"', "did you mean 'auxiliary'?"),
        ('field_number = "20 mm"', 'field_number = "20"', "has no unit"),
        ('field_number = "20 mm"', "field_number = 20", "length with its unit"),
        ('value = "14x to 225x"', 'value = "225"', "has no unit"),
        ('value = "14x to 225x"', "value = 225", "has no unit"),
        ('value = "14x to 225x"', 'value = "225x to 14x"', "from a lower to a higher"),
        ("divisions = 100", "divisions = 0", "whole number"),
        ('kind = "ruled scale"', 'kind = "ruled scales"', "did you mean 'ruled scale'?"),
        ('kind = "stereo"', 'kind = "thing"', "expected one of"),
        ('kind = "magnification"', 'kind = "magnifcation"', "did you mean 'magnification'?"),
        ('expanded = "0.006 um"', 'expanded = "6 um"', "is no uncertainty"),
        ('zoom = "4.5x"', 'zoom = "9x"', "outside the chain's zoom"),
        ('zoom = "0.7x to 4.5x"', 'zoom = "0.7x to 4.5x"\nobjective = "4x"', "one of the two"),
        ('camera = "80 EUR"', 'camera = "80 USD"', "in one currency"),
        ('camera = "80 EUR"', 'camera = "eighty"', "not a price"),
        ("standalone = true", 'standalone = "yes"', "true or false"),
        ('file = "captures/a.png"', 'file = "captures/b.png"', "there is no file"),
        ('file = "captures/a.png"', 'file = "../a.png"', "inside the bench folder"),
        ('file = "captures/a.png"', 'file = "/etc/passwd"', "inside the bench folder"),
        ('instrument = "stereo"', 'instrument = "stero"', "did you mean 'stereo'?"),
        ('setting = "high"', 'setting = "hihg"', "did you mean 'high'?"),
        ('object = "slide"', 'object = "chip"', "expected one of slide"),
        ("box = [1, 2, 30, 40]", "box = [1, 2, 30]", "not a region"),
        ("box = [1, 2, 30, 40]", "box = [1, 2, 0, 40]", "not a region"),
        ("date = 2026-05-01", 'date = "May"', "not a date"),
        ('diagonal = "24 in"', 'diagonal = "24 kg"', "length with its unit"),
        ('sensor_pitch = "3.4 um"', 'sensor_pitch = "3.4 um"\nsensor_width = "9 mm"',
         "contradicts"),
        ('sensor_pitch = "3.4 um"', 'sensor_pitch = "3.4 mm"', "expected 0.1 to 200 um"),
        ('sensor_pitch = "3.4 um"', 'wavelength = "550 mm"', "expected 0.1 to 20 um"),
        ('certificate = { division = "10.003 um", expanded = "0.006 um" }',
         'tolerance = "100 %"', "100% is no tolerance of a division"),
        ('where = "box"', 'where = "box"\ntolerance = "500 %"', "500% is no tolerance of a claim"),
        ('title = "Chip evening"', "title = 7", "not a text"),
        ('id = "pads"', 'id = "pads on chips"', "without spaces"),
    ],
)  # fmt: skip
def test_a_mistake_is_reported_where_it_stands(
    folder: Path, before: str, after: str, expected: str
) -> None:
    text, line = with_change(before, after)
    found = mistakes(text, folder)
    mine = [said for said in found if expected in said]
    assert len(mine) == 1
    where = int(mine[0].removeprefix("bench.toml line ").split(":")[0])
    # A change may add a line: then the mistake stands on either.
    assert where - line in range(after.count("\n") + 1)
    assert len(found) == 1


def test_contradictory_divisions_are_reported_at_the_later_statement(folder: Path) -> None:
    text, line = with_change("divisions = 100", "divisions = 10")
    assert mistakes(text, folder) == [
        f"bench.toml line {line + 1}: certificate: contradictory divisions: length / divisions"
        " says 100 um, the certificate says 10.003 um"
    ]
    text, line = with_change('length = "1 mm"', 'division = "1 um"\nlength = "1 mm"')
    assert len(mistakes(text, folder)) == 2


def test_what_is_missing_is_reported_at_its_table(folder: Path) -> None:
    for line in ('where = "box"\n', 'object = "slide"\n', 'file = "captures/a.png"\n',
                 'kind = "stereo"\n', 'setting = "high"\n'):  # fmt: skip
        text, at = with_change(line, "")
        (said,) = mistakes(text, folder)[-1:]
        assert f"{line.split(' =')[0]} is missing" in said
        where = int(said.removeprefix("bench.toml line ").split(":")[0])
        assert text.splitlines()[where - 1].startswith("[[")
        assert 0 < at - where <= 4


def test_two_instruments_with_one_id_are_refused(folder: Path) -> None:
    twin = '\n[[instrument]]\nid = "stereo"\nkind = "USB"\n'
    (said,) = mistakes(GOOD + twin, folder)
    line = GOOD[: GOOD.index('id = "stereo"')].count("\n") + 1
    assert f"the instrument 'stereo' stands already on line {line}" in said
    assert said.startswith(f"bench.toml line {GOOD.count(chr(10)) + 3}:")


def test_one_file_cannot_come_from_two_instruments(folder: Path) -> None:
    more = (
        '\n[[instrument]]\nid = "pad"\nkind = "screen"\n'
        '\n[[capture]]\nfile = "captures/a.png"\ninstrument = "pad"\nobject = "slide"\n'
    )
    (said,) = mistakes(GOOD + more, folder)
    assert "is filed for 'stereo' already" in said


def test_one_photo_may_show_two_objects_but_not_one_twice(folder: Path) -> None:
    again = '\n[[capture]]\nfile = "captures/a.png"\ninstrument = "stereo"\nsetting = "high"\n'
    (said,) = mistakes(GOOD + again + 'object = "slide"\n', folder)
    assert "stands already as a capture" in said
    edge = '\n[[object]]\nid = "blade"\nkind = "edge"\n'
    bench = parse_bench(GOOD + edge + again + 'object = "blade"\n', folder)
    assert [one.id for one in bench.captures] == ["captures/a.png", "captures/a.png#blade"]


def test_all_mistakes_are_reported_at_once_in_order(folder: Path) -> None:
    text = GOOD.replace("420 EUR", "420").replace('"0.7x"', '"0.7 kg"').replace("24 in", "24")
    found = mistakes(text, folder)
    lines = [int(said.removeprefix("bench.toml line ").split(":")[0]) for said in found]
    assert len(found) == 3
    assert lines == sorted(lines)


@pytest.mark.parametrize(
    ("text", "line"),
    [("[bench\n", 1), ("[bench]\ntitle = \n", 2), ('a = "x"\n\nb = [1,\n', 4),
     ("[bench]\ntitle = 'a'\ntitle = 'b'\n", 3), ("x = 1979-99-99\n", 1)],
)  # fmt: skip
def test_what_is_not_toml_is_reported_with_its_line(folder: Path, text: str, line: int) -> None:
    with pytest.raises(Unusable) as caught:
        parse_bench(text, folder)
    said = str(caught.value)
    assert "\n" not in said
    assert f"line {line}:" in said or "cannot be read" in said


def test_a_document_that_cannot_be_read_is_one_clear_line(tmp_path: Path) -> None:
    for make, expected in (
        (lambda: None, "holds no bench.toml"),
        (lambda: (tmp_path / "bench.toml").write_bytes(b"\xff\xfe\x00"), "not text in UTF-8"),
        (lambda: (tmp_path / "bench.toml").write_text("x = " + "[" * 5000), "nested too deeply"),
    ):
        make()
        with pytest.raises(Unusable, match=expected) as caught:
            load_bench(tmp_path)
        assert "\n" not in str(caught.value)
    with pytest.raises(Unusable, match="no bench folder"):
        load_bench(tmp_path / "missing")


def test_unset_settings_mean_one_setting(folder: Path) -> None:
    text = (
        '[[object]]\nid = "s"\nkind = "grid"\ndivision = "0.1 mm"\n'
        '[[instrument]]\nid = "u"\nkind = "USB"\n'
        '[[capture]]\nfile = "captures/a.png"\ninstrument = "u"\nobject = "s"\n'
    )
    bench = parse_bench(text, folder)
    assert bench.captures[0].setting == bench.instruments[0].settings[0].id
    assert bench.title == folder.name


# ---- any text ------------------------------------------------------------------------------------

FUZZ = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@FUZZ
@given(st.text(max_size=200))
def test_any_text_is_a_bench_or_refused(folder: Path, text: str) -> None:
    try:
        parse_bench(text, folder)
    except Unusable as error:
        assert str(error)  # noqa: PT017


VALUES = st.recursive(
    st.one_of(st.text(max_size=12), st.integers(), st.floats(), st.booleans(), st.dates(),
              st.sampled_from(["10 um", "4x", "12 EUR", "ruled scale", "slide", "stereo"])),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.text(max_size=6), inner, max_size=3),
    ),
    max_leaves=6,
)  # fmt: skip
KEYS = sorted({part for path in key_lines(GOOD) for part in path if isinstance(part, str)})


@FUZZ
@given(st.integers(0, GOOD.count("\n") - 1), VALUES)
def test_any_value_in_any_place_is_read_or_reported(folder: Path, at: int, value: object) -> None:
    lines = GOOD.splitlines()
    key, equals, _ = lines[at].partition(" = ")
    if not equals or not key.isidentifier():
        return
    document = tomlkit.document()
    document.add(key, tomlkit.item(value))
    lines[at] = tomlkit.dumps(document).strip("\n")
    text = "\n".join(lines)
    try:
        tomllib.loads(text)
        parse_bench(text, folder)
    except (tomllib.TOMLDecodeError, Unusable) as error:
        assert str(error)  # noqa: PT017


@FUZZ
@given(
    st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=5),
    st.lists(st.dictionaries(st.sampled_from(KEYS), VALUES, max_size=4), max_size=3),
)
def test_every_key_is_found_on_the_line_where_it_is_written(
    plain: dict[str, object], members: list[dict[str, object]]
) -> None:
    document = tomlkit.document()
    for key, value in plain.items():
        document.add(key, tomlkit.item(value))
    array = tomlkit.aot()
    for member in members:
        array.append(tomlkit.item(member))
    document.add("things", array)
    text = tomlkit.dumps(document)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return  # a value that the writer spells in a way that the reader does not take
    lines, found = text.split("\n"), key_lines(text)
    for key in plain:
        assert lines[found[key,] - 1].startswith(key) or f"[{key}" in lines[found[key,] - 1]
    for index, member in enumerate(data.get("things", [])):
        for key in member:
            assert key in lines[found["things", index, key] - 1]


def test_lines_of_every_way_to_write_a_key() -> None:
    text = (
        'a = """\nmany\nlines"""\n'  # 1
        "b.c = 'x # y'  # [no.table]\n"  # 4
        "d = [\n  1,\n  { e = 2 }, # {\n]\n"  # 5
        '"quoted key" = 1979-05-27 07:32:00\n'  # 9
        "[t.'u v']\nf = 1.5\n"  # 10
        "[[g]]\nh = {i = [1, 2], j.k = 3}\n[g.l]\nm = 1\n[[g]]\n[[g.n]]\no = ''\n"  # 12
    )
    tomllib.loads(text)
    found = key_lines(text)
    expected = {
        ("a",): 1, ("b", "c"): 4, ("d",): 5, ("d", 1, "e"): 7, ("quoted key",): 9,
        ("t", "u v"): 10, ("t", "u v", "f"): 11, ("g", 0): 12, ("g", 0, "h", "i", 1): 13,
        ("g", 0, "h", "j", "k"): 13, ("g", 0, "l", "m"): 15, ("g", 1): 16,
        ("g", 1, "n", 0, "o"): 18,
    }  # fmt: skip
    assert {place: found[place] for place in expected} == expected


@pytest.mark.parametrize("mark", ["\\u202E", "\\u2066", "\\u0007", "\\u0085"])
def test_names_hold_no_characters_that_show_other_than_they_are_written(mark: str) -> None:
    text = f"""[bench]
title = "Two of them{mark}x"
[[instrument]]
id = "a"
kind = "stereo"
name = "Ste{mark}reo"
note = "first line\\nsecond"
"""
    with pytest.raises(BenchMistakes) as caught:
        parse_bench(text, Path("nowhere"))
    first, second = caught.value.mistakes
    assert (first.line, second.line) == (2, 6)
    assert first.text.startswith("title: ")
    assert f"holds the control character U+{mark[2:]}" in second.text
    assert "\u202e" not in str(caught.value)
    bench = parse_bench(text.replace(mark + "x", "").replace(mark + "reo", ""), Path("nowhere"))
    assert bench.instruments[0].note == "first line\nsecond"


def test_instruments_and_settings_of_one_name_are_told_apart_by_their_ids() -> None:
    text = """
[[instrument]]
id = "a"
kind = "stereo"
name = "Stereo"
[[instrument.setting]]
id = "low"
name = "Zoom"
[[instrument.setting]]
id = "high"
name = "zoom"
[[instrument.setting]]
id = "mid"
name = "Middle"
[[instrument]]
id = "b"
kind = "stereo"
name = "Stereo"
[[instrument]]
id = "c"
kind = "stereo"
name = "Other"
"""
    bench = parse_bench(text, Path("nowhere"))
    assert [one.title for one in bench.instruments] == ["Stereo (a)", "Stereo (b)", "Other"]
    settings = bench.instruments[0].settings
    assert [one.title for one in settings] == ["Zoom (low)", "zoom (high)", "Middle"]
