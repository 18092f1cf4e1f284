"""Means over captures, readings of settings, the comparison table, and equal fields."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from tests.bench.made_up import bench_of, camera, captured, claim_of, eyepiece_view

from glassay.bench.document.model import Instrument, Money, Price, ReferenceView, Setting
from glassay.bench.measuring.assemble import assemble, results_as_json
from glassay.bench.measuring.settings import REPEATABILITY, mean, settle
from glassay.bench.table.comparison import (
    COLUMNS,
    best_rows,
    cell_text,
    compare,
    same_field,
    same_fields,
)
from glassay.optics import Chain
from glassay.quantity import Contribution, Quantity, combine


def pixel(value: float, fit: float, slide: float = 0.0) -> Quantity:
    parts = [Contribution("fit", fit)]
    if slide:
        parts.append(Contribution("slide", value * slide, identity="slide"))
    return Quantity(value, "um/px", tuple(parts))


def test_a_mean_averages_the_fits_but_not_the_slide() -> None:
    same = [pixel(1.0, 0.004, slide=0.002) for _ in range(4)]
    found = mean(same)
    assert found.value == pytest.approx(1)
    by_source = {part.source: part for part in found.contributions}
    assert by_source["slide"].u == pytest.approx(0.002)
    own = sum(part.u**2 for part in found.contributions if part.source == "fit") ** 0.5
    assert own == pytest.approx(0.004 / 4**0.5)
    assert REPEATABILITY not in by_source


def test_scatter_beyond_the_fits_is_repeatability() -> None:
    # Values 0.99, 1.00, 1.01: s = 0.01, s / sqrt(3) = 5.77e-3 with 2 degrees of freedom
    # (JCGM 100:2008, 4.2.3), less what the fits explain.
    found = mean([pixel(value, 1e-6) for value in (0.99, 1.0, 1.01)])
    (part,) = [part for part in found.contributions if part.source == REPEATABILITY]
    assert part.u == pytest.approx(0.01 / 3**0.5, rel=1e-4)
    assert part.dof == 2
    assert found.k == pytest.approx(4.30, abs=0.01)  # table G.2
    quiet = mean([pixel(value, 0.02) for value in (0.99, 1.0, 1.01)])
    assert all(part.source != REPEATABILITY for part in quiet.contributions)


def test_captures_of_another_picture_size_do_not_enter_the_mean() -> None:
    bench = bench_of(camera())
    shown = [
        captured("pad", "only", 1.0), captured("pad", "only", 1.0, name="b.jpg"),
        captured("pad", "only", 2.0, (960, 540), name="c.jpg"),
    ]  # fmt: skip
    (one,) = settle(bench, shown)
    assert one.findings["pixel_size"].quantity.value == pytest.approx(1)
    assert one.picture == (1920, 1080)
    assert one.captures == ("a.jpg", "b.jpg")
    assert "2 picture sizes" in one.notes[0]


def test_captures_that_disagree_are_pointed_out() -> None:
    shown = [captured("pad", "only", 1.0), captured("pad", "only", 1.1, name="b.jpg")]
    (one,) = settle(bench_of(camera()), shown)
    assert any("was it one setting?" in note for note in one.notes)


def test_pixel_size_and_field_of_one_setting_are_not_repeated_independently() -> None:
    shown = [
        captured("pad", "only", size, name=f"{n}.jpg") for n, size in enumerate((0.99, 1.0, 1.01))
    ]
    (one,) = settle(bench_of(camera()), shown)
    width, pixel = (one.findings[key].quantity for key in ("field_width", "pixel_size"))
    for quantity in (width, pixel):
        (part,) = [p for p in quantity.contributions if p.source == REPEATABILITY]
        assert part.identity == f"setting pad/only: {REPEATABILITY}"
        assert part.scope == "setting"
    # 1920 px whatever the zoom: their ratio does not repeat badly.
    across = combine(lambda w, p: w / p, (width, pixel), "px")
    assert across.value == pytest.approx(1920)
    assert across.u < 0.01 * width.u / pixel.value


def test_a_round_field_implies_the_field_number() -> None:
    shown = captured("stereo", "zoom-4", 2.0, (4000, 3000), diameter=5000)
    (one,) = settle(bench_of(eyepiece_view(claim_of(40))), [shown])
    implied = one.findings["implied_field_number"].quantity
    assert implied.value == pytest.approx(20)
    assert one.seen_width is not None
    assert one.seen_width.value == pytest.approx(5000)


def test_field_equivalent_may_refer_to_a_view_on_the_bench() -> None:
    stereo, pad = eyepiece_view(claim_of(40)), camera()
    shown = [
        captured("stereo", "zoom-4", 2.0, (4000, 3000), diameter=5000),
        captured("pad", "only", 1.0, name="b.jpg"),
    ]
    view = ReferenceView(instrument="stereo")
    bench = replace(bench_of(stereo, pad), reference_view=view)
    reading = settle(bench, shown)[1].reading("field_equivalent_magnification")
    assert reading is not None
    # 40x times 5 mm over 1.92 mm; both rest on one slide, so no uncertainty is left.
    assert reading.value.value == pytest.approx(40 * 5000 / 1920)
    assert reading.value.relative < 1e-9
    (alone,) = settle(replace(bench, instruments=(pad,)), shown[1:])
    assert any("standard eyepiece" in note for note in alone.notes)


def test_this_field_is_that_of_another_view_with_the_slide_cancelled() -> None:
    stereo, pad = eyepiece_view(claim_of(40)), camera()
    shown = [
        captured("stereo", "zoom-4", 2.0, (4000, 3000), diameter=2000),
        captured("pad", "only", 1.0, (800, 600), name="b.jpg"),
    ]
    settings = settle(bench_of(stereo, pad), shown)
    (found,) = same_fields(settings)
    # 2.0 mm at 40x against 0.8 mm: the field of a 100x view.
    assert found.equivalent is not None
    assert found.equivalent.value == pytest.approx(100)
    assert found.equivalent.relative < 1e-9
    assert found.ratio.value == pytest.approx(2.5)
    assert "is that of a 100" in found.sentence
    assert "view of stereo in setting zoom-4, whose stated 40x is taken as exact" in found.sentence
    # Field number 20 within 0.5 mm (rectangular): 0.29 mm, 1.4 %, U = 1.96 x 0.58x and the slide.
    assert "(by the field seen it is 100.0 ± 2.8x)" in found.sentence
    back = same_field(settings[0], settings[1])
    assert back is not None
    assert back.equivalent is None
    assert back.ratio.value == pytest.approx(0.4)


def test_different_slides_do_not_cancel() -> None:
    stereo, pad = eyepiece_view(claim_of(40)), camera()
    one = captured("stereo", "zoom-4", 2.0, (4000, 3000), diameter=2000)
    two = captured("pad", "only", 1.0, (800, 600), name="b.jpg")
    settings = settle(bench_of(stereo, pad), [one, two])
    other = settings[1].findings["field_width"]
    renamed = Quantity(800, "um", (Contribution("slide", 0.8, identity="reference object other"),))
    changed = replace(
        settings[1], findings={**settings[1].findings, "field_width": replace(other, value=renamed)}
    )
    found = same_field(changed, settings[0])
    assert found is not None
    assert found.ratio.relative == pytest.approx(0.001 * 2**0.5, rel=1e-3)


def two_cameras() -> tuple[Instrument, Instrument]:
    first = replace(
        camera(claim_of(1600), claim_of(200, id="b", where="listing")),
        price=Price(list=Money(99, "EUR"), camera=Money(1, "EUR")),
        clearance_um=40_000.0,
        standalone=True,
    )
    second = replace(camera(), id="usb", name="Plain USB", price=Price(paid=Money(30, "EUR")))
    return first, second


def test_the_table_holds_each_instrument_at_its_best() -> None:
    wide, close = Setting("wide", Chain()), Setting("close", Chain())
    first, second = two_cameras()
    first = replace(first, settings=(wide, close))
    shown = [
        captured("pad", "wide", 5.0), captured("pad", "close", 1.0, name="b.jpg"),
        captured("usb", "only", 2.0, name="c.jpg"),
    ]  # fmt: skip
    results = assemble(bench_of(first, second), shown)
    table = results.comparison
    assert [row.id for row in table.rows] == ["pad", "usb"]
    ids = [column.id for column in table.columns]
    assert {column.id for column in COLUMNS} < set(ids)
    assert all(list(row.cells) == ids for row in table.rows)
    pixel_size, narrow, wide_cell = (
        table.cell("pad", key) for key in ("pixel_size", "field_narrowest", "field_widest")
    )
    assert isinstance(pixel_size.value, Quantity)
    assert (pixel_size.value.value, pixel_size.setting) == (1.0, "close")
    assert isinstance(narrow.value, Quantity)
    assert narrow.value.value == pytest.approx(1.92)
    assert wide_cell.setting == "wide"
    assert table.cell("pad", "claims").value == "1 met, 1 not met"
    assert table.cell("pad", "price_total").value == Money(100, "EUR")
    assert table.cell("usb", "claimed_magnification").value is None
    by_id = {column.id: column for column in table.columns}
    assert best_rows(table, by_id["pixel_size"]) == ("pad",)
    assert best_rows(table, by_id["price_total"]) == ("usb",)
    assert best_rows(table, by_id["claims"]) == ()
    assert cell_text(table.cell("pad", "standalone"), by_id["standalone"]) == "yes"
    assert cell_text(table.cell("usb", "clearance"), by_id["clearance"]) == "–"
    on_display = cell_text(table.cell("pad", "on_display_magnification"),
                           by_id["on_display_magnification"])  # fmt: skip
    assert on_display == "276.72 ± 0.54x"


def test_instruments_that_cannot_be_told_apart_are_both_best() -> None:
    first, second = two_cameras()
    shown = [
        captured("pad", "only", 1.0, relative_u=0.0),
        captured("usb", "only", 1.0, relative_u=0.0, name="c.jpg"),
    ]
    bench = bench_of(first, second)
    table = compare(bench, settle(bench, shown), ())
    column = next(column for column in table.columns if column.id == "pixel_size")
    assert best_rows(table, column) == ("pad", "usb")


def test_prices_in_two_currencies_are_not_compared() -> None:
    first, second = two_cameras()
    second = replace(second, price=Price(paid=Money(30, "CHF")))
    table = compare(bench_of(first, second), (), ())
    column = next(column for column in table.columns if column.id == "price_total")
    assert best_rows(table, column) == ()
    assert any("CHF and EUR" in note for note in table.notes)


def test_a_camera_in_another_currency_gives_no_total() -> None:
    assert Price(paid=Money(1, "EUR"), camera=Money(1, "CHF")).total is None
    assert Price(camera=Money(1, "CHF")).total is None


def test_everything_is_written_as_plain_data() -> None:
    first, second = two_cameras()
    results = assemble(bench_of(first, second), [captured("pad", "only", 1.0)])
    data = json.loads(json.dumps(results_as_json(results), allow_nan=False))
    assert data["captures"][0]["findings"]["pixel_size"]["value"] == 1.0
    (verdict, _) = data["verdicts"]
    assert verdict["verdict"] == "not met"
    assert verdict["readings"][0]["key"] == "on_display_magnification"
    assert data["comparison"]["rows"][0]["cells"]["price_total"]["value"] == {
        "amount": 100.0, "currency": "EUR",
    }  # fmt: skip
    assert any("0.2%" in sentence for sentence in data["assumptions"])
