"""Reading one instrument of `bench.toml`: its chain, settings, claims, observations and price."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from glassay import units
from glassay.bench.document import table_reader as reader
from glassay.bench.document.claims import CLAIM_KINDS, OTHER, ClaimKind, read_claim_value
from glassay.bench.document.model import (
    DEFAULT_SETTING,
    INSTRUMENT_KINDS,
    Claim,
    Instrument,
    Money,
    Price,
    Setting,
)
from glassay.bench.document.observed import read_observations
from glassay.bench.document.table_reader import Table, length_mm, length_um, suggestion, unique
from glassay.bench.document.teardown import read_teardown
from glassay.errors import Unusable
from glassay.imaging.tone import Tone, parse_tone
from glassay.optics.chain import WAVELENGTH_UM, Chain, Display, Sensor

SENSOR_AGREES = 0.02
"""Pitch times columns may differ from a stated sensor width by 2 %: data sheets round both."""


def money(value: object) -> Money:
    """An amount of at least 0, like "129.90 EUR". Raises `Unusable`."""
    amount, currency = units.parse_money(value)
    if amount < 0:
        raise Unusable(f"{value!r} is below 0")
    return Money(amount, currency)


def read_display(table: Table, key: str = "display") -> Display | None:
    if not table.has(key):
        return None
    if table.is_text(key):  # "24 in": the diagonal alone
        diagonal = table.maybe(key, length_mm)
        return None if diagonal is None else Display.from_diagonal(diagonal)
    inner = table.table(key)
    if inner is None:
        return None
    diagonal = inner.maybe("diagonal", length_mm)
    width, height = inner.maybe("width", length_mm), inner.maybe("height", length_mm)
    columns, rows = inner.take("pixels", units.parse_pixels, (0, 0))
    inner.finish()
    across, down = (columns, rows) if columns else (16, 9)
    if width is not None:
        return Display(width, height or width * down / across, columns or None, rows or None,
                       None if diagonal is None else diagonal / 25.4)  # fmt: skip
    if diagonal is not None:
        return Display.from_diagonal(diagonal, columns or None, rows or None)
    if not inner.has("diagonal") and not inner.has("width"):
        inner.wrong(None, f'{key} needs diagonal or width, like {{ diagonal = "24 in" }}')
    return None


def read_instrument(table: Table) -> Instrument | None:
    instrument_id = table.need("id", reader.identifier, 'a short name, like "desk-stereo"')
    kind = table.need("kind", reader.choice(INSTRUMENT_KINDS), 'a kind, like "stereo"')
    chain_table = table.table("chain")
    chain = Chain() if chain_table is None else _read_chain(chain_table)
    tone = table.maybe("tone", parse_tone)
    settings = unique(
        "setting", table.tables("setting"), lambda inner: _read_setting(inner, chain, tone)
    ) or (Setting(DEFAULT_SETTING, chain, tone=tone),)
    claims = _read_claims(table.tables("claim"), [setting.id for setting in settings])
    instrument = Instrument(
        instrument_id or "", kind or "other", chain,
        table.take("name", reader.text, ""),
        settings,
        claims,
        read_observations(table.tables("observation"), [claim.id for claim in claims]),
        _read_price(table),
        table.take("power", reader.text, ""),
        table.maybe("standalone", reader.truth),
        table.maybe("clearance", length_um),
        table.take("illumination", reader.text, ""),
        table.take("note", reader.text, ""),
        table.line(),
        read_teardown(table.tables("teardown")),
    )  # fmt: skip
    table.finish()
    return instrument if instrument_id is not None else None


def _read_chain(table: Table) -> Chain:
    first = _read_factors(table, Chain())
    chain = replace(
        first,
        sensor=_read_sensor(table),
        display=read_display(table),
        wavelength_um=table.take("wavelength", length_um, WAVELENGTH_UM),
        refractive_index=table.take("refractive_index", reader.number, 1.0),
    )
    table.finish()
    return chain


def _read_factors(table: Table, base: Chain) -> Chain:
    """The factors of a chain, or those of `base` where a key is absent."""
    objective = table.maybe("objective", units.parse_factor)
    zoom = table.maybe("zoom", units.parse_factor_range)
    if objective is not None and zoom is not None:
        table.wrong("zoom", "an objective is given too; a chain has one of the two")
    if objective is None and zoom is None:
        objective, zoom = base.objective, base.zoom
    aperture = table.maybe("numerical_aperture", reader.number)
    if aperture is not None and aperture >= 2:
        table.wrong("numerical_aperture", f"{aperture:g} is more than any objective has")
    return replace(
        base,
        objective=objective,
        zoom=zoom,
        auxiliary=table.take("auxiliary", units.parse_factor, base.auxiliary),
        tube=table.take("tube", units.parse_factor, base.tube),
        eyepiece=table.maybe("eyepiece", units.parse_factor) or base.eyepiece,
        field_number_mm=table.maybe("field_number", length_mm) or base.field_number_mm,
        adapter=table.maybe("adapter", units.parse_factor) or base.adapter,
        numerical_aperture=aperture or base.numerical_aperture,
    )


def _read_sensor(table: Table) -> Sensor | None:
    pitch, width = table.maybe("sensor_pitch", length_um), table.maybe("sensor_width", length_um)
    columns, rows = table.take("sensor_pixels", units.parse_pixels, (0, 0))
    if pitch is None and width is None and not columns:
        return None
    if pitch and width and columns and abs(pitch * columns / width - 1) > SENSOR_AGREES:
        table.wrong(
            "sensor_width",
            f"{width:g} um contradicts sensor_pitch x columns, {pitch * columns:g} um",
        )
    return Sensor(pitch, columns or None, rows or None, width)


def _read_setting(table: Table, base: Chain, tone: Tone | None) -> Setting | None:
    """One setting of an instrument whose own camera has this tone curve."""
    setting_id = table.need("id", reader.identifier, 'a short name, like "zoom-4.5"')
    chain = _read_factors(table, base)
    if base.zoom is not None and chain.zoom is not None and table.has("zoom"):
        inside = base.zoom[0] * 0.999 <= chain.zoom[0] and chain.zoom[1] <= base.zoom[1] * 1.001
        if not inside:
            low, high = base.zoom
            table.wrong("zoom", f"lies outside the chain's zoom of {low:g}x to {high:g}x")
    through_eyepiece = table.take("through_eyepiece", reader.truth, False)
    setting = Setting(
        setting_id or "", chain,
        table.take("name", reader.text, ""),
        table.take("digital_zoom", units.parse_factor, 1.0),
        through_eyepiece,
        table.take("note", reader.text, ""),
        table.line(),
        table.take("for_chips", reader.truth, True),
        # a phone behind the eyepiece has a curve of its own
        table.maybe("tone", parse_tone) or (None if through_eyepiece else tone),
    )  # fmt: skip
    table.finish()
    return setting if setting_id is not None else None


def _read_claims(tables: Sequence[Table], settings: Sequence[str]) -> tuple[Claim, ...]:
    counts: dict[str, int] = {}
    claims: list[Claim] = []
    for table in tables:
        kind = table.need("kind", reader.choice([*CLAIM_KINDS, OTHER]), 'a kind, "magnification"')
        counts[kind or ""] = counts.get(kind or "", 0) + 1
        plain_id = f"{(kind or '').replace(' ', '-')}-{counts[kind or '']}"
        claim_id = table.take("id", reader.identifier, plain_id)
        where = table.need("where", reader.some_text, 'where it is stated, like "box"')
        claim = Claim(
            claim_id, kind or "", "", None, "", where or "",
            tolerance=table.take("tolerance", reader.positive(units.parse_fraction), 0.0),
            digital_zoom=table.take("digital_zoom", units.parse_factor, 1.0),
            setting=table.maybe("setting", reader.identifier),
            quote=table.take("quote", reader.text, ""),
            note=table.take("note", reader.text, ""),
            line=table.line(),
        )  # fmt: skip
        if claim.setting is not None and claim.setting not in settings:
            hint = suggestion(claim.setting, settings)
            table.wrong("setting", f"there is no setting {claim.setting!r}; {hint}")
        if any(claim_id in (other.id, f"{other.id}-low") for other in claims):
            table.wrong("id", f"the claim {claim_id!r} stands already above")
        claims += _with_value(table, claim)
        table.finish()
    return tuple(claims)


_SENSES = ("at least", "at most", "equal")


def _with_value(table: Table, claim: Claim) -> list[Claim]:
    """The claim with its number: one claim, or two for a range."""
    if claim.kind == OTHER or not claim.kind:
        value = table.need("value", reader.some_text, "what is claimed, in words")
        return [replace(claim, text=value or "")]
    kind: ClaimKind = CLAIM_KINDS[claim.kind]
    sense = table.maybe("sense", reader.choice(_SENSES)) or kind.sense
    what = f'a number with its unit, like "{kind.example}"'
    found = table.need("value", lambda value: read_claim_value(kind, value), what)
    if found is None:
        return []
    low, high = found
    claim = replace(claim, text=table.raw("value"), value=high, unit=kind.unit, sense=sense)
    if low is None:
        return [claim]
    return [
        claim,
        replace(claim, id=f"{claim.id}-low", value=low, sense="at most", digital_zoom=1.0),
    ]


def _read_price(table: Table) -> Price:
    inner = table.table("price")
    if inner is None:
        return Price()
    price = Price(
        inner.maybe("list", money), inner.maybe("paid", money), inner.maybe("camera", money),
        _read_besides(inner),
    )  # fmt: skip
    besides = [amount for _, amount in price.also]
    currencies = {
        part.currency for part in (price.list, price.paid, price.camera, *besides) if part
    }
    if len(currencies) > 1:
        inner.wrong(None, "prices of one instrument are in one currency, not " + " and ".join(
            sorted(currencies)))  # fmt: skip
    inner.finish()
    return price


def _read_besides(table: Table) -> tuple[tuple[str, Money], ...]:
    inner = table.table("also")
    if inner is None:
        return ()
    found = [(name, inner.maybe(name, money)) for name in inner.keys()]  # noqa: SIM118
    return tuple((name, amount) for name, amount in found if amount is not None)
