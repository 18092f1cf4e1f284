"""The response that many pieces of crowded wiring have in common.

A piece shows steps of heights a_k at places x_k, blurred: at a place x across it

    light(x) = b + sum_k a_k S(x - x_k),  S(x) = 1/2 + integral_0^inf M(f) sin(2 pi f x) / (pi f) df,

S being the edge spread of the response M. With M linear between nodes in frequency, S is linear in
the values at the nodes: all pieces together are fitted by least squares, each with places, heights,
level and tilt of its own, the nodes in common (Gauss-Newton; each piece's own unknowns are
eliminated, so that what they leave open stays open). What remains is a quadratic form in the nodes:
all that the pieces know of the response, crowding, shortness and unknown widths of wires included.
Derived here.

Not every piece is what it seems: two edges closer than the blur, a sloped wall, a layer out of
focus make it wider than the response; neighbours that the model lacks may make it narrower too.
Each piece therefore says by how much it would widen the common response (a variance, px^2). Of
pieces with room about them the narrowest group that agrees counts, of crowded ones the largest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from glassay.detail.edge_spline import Float
from glassay.detail.wiring_pieces import Piece
from glassay.errors import NotMeasurable
from glassay.fitting import SIGMA_OF_MAD

Flags = npt.NDArray[np.bool_]

NODES = 14
"""Values of the response that are fitted; 10 and 20 give the same to half its standard
uncertainty."""

NODES_REACH = 3.6
"""Highest node over the rough 50 % frequency: a circular pupil ends at 2.5, a Gaussian has 1e-4
there."""

ROUNDS, ROUNDS_AGAIN = 12, 2
PLACE_U_PX, TILT_U = 1.0, 0.05
"""How far the first guess of an edge's place and of a piece's direction (radian) may be off."""

MODEL_SHARE = 0.006
"""What pieces may stray from straight even steps for other reasons than noise, as a share of the
step."""

SMOOTH_U = 0.08
"""Standard deviation of the second difference of neighbouring nodes about that of the first
guess. It only keeps the iteration in bounds; the result's quadratic form is without it."""

MISFIT = 3.0
"""Residual rms over the step, in that of the best quarter of pieces, above which a piece shows
something else."""

FEWEST_PIECES = 8
GROUP_SHARE = 0.25
"""Least share of pieces, of those that are fit, that make a group of their own."""


@dataclass
class State:
    """Unknowns of one piece: places of its edges (px), tilt, and heights, the level first."""

    places: Float
    tilt: float
    heights: Float


@dataclass(frozen=True)
class CommonResponse:
    """What the pieces say of the response.

    `nodes` (n,) are its values at `frequency` (cycles/px, without 0, where it is 1); a change d
    of them costs d' `matrix` d - 2 d' `pull`, a sum of squares over the pieces' scatter. `used`
    are the numbers of the pieces that counted, `widening` (used,) what each would add to the
    blur's variance, px^2, `widening_u` its standard uncertainty. Pieces scatter by `inflation`
    times their noise; `states` is what was fitted of each.
    """

    frequency: Float
    nodes: Float
    matrix: Float
    pull: Float
    used: tuple[int, ...]
    widening: Float
    widening_u: Float
    inflation: float
    states: tuple[State, ...]


class Steps:
    """The edge spread and its slope for given nodes, and what each node adds, from tables."""

    def __init__(self, frequency: Float, reach: float) -> None:
        count = len(frequency)
        step = frequency[-1] / (40 * count)
        fine = (np.arange(40 * count) + 0.5) * step
        hats = np.stack([np.interp(fine, np.concatenate([[0.0], frequency]), row)
                         for row in np.eye(count + 1)], axis=1)  # fmt: skip
        self._x = np.arange(0, reach + 1, 1 / TABLE_PER_PX)
        phase = 2 * np.pi * np.outer(self._x, fine)
        self._spread = (np.sin(phase) / (np.pi * fine) * step) @ hats
        self._slope = 2 * (np.cos(phase) * step) @ hats
        self.weigh(np.zeros(count))

    def weigh(self, nodes: Float) -> None:
        """Take these values of the response."""
        weights = np.concatenate([[1.0], nodes])
        self._one_spread, self._one_slope = self._spread @ weights, self._slope @ weights

    def spread(self, x: Float) -> Float:
        """The edge spread at x px, 0 to 1."""
        return np.asarray(
            0.5 + np.sign(x) * np.interp(np.abs(x), self._x, self._one_spread), np.float64
        )

    def slope(self, x: Float) -> Float:
        """Its slope, the line spread, per px."""
        return np.asarray(np.interp(np.abs(x), self._x, self._one_slope))

    def by_node(self, x: Float) -> Float:
        """(samples, nodes): change of the edge spread with each node's value."""
        place = np.rint(np.abs(x) * TABLE_PER_PX).astype(np.intp)
        return np.asarray(
            np.sign(x)[:, None] * self._spread[:, 1:].take(place, axis=0, mode="clip")
        )


TABLE_PER_PX = 32
"""Places in a table for each px: the nearest one is off by 0.4 % of a step at most, at random."""


def fit_common(pieces: Sequence[Piece], *, narrowest: bool = True) -> CommonResponse:
    """The common response of `pieces`: of the narrowest group that agrees, or of the largest.

    Raises `NotMeasurable` where too few agree.
    """
    if len(pieces) < FEWEST_PIECES:
        raise NotMeasurable(f"only {len(pieces)} pieces of wiring are straight and even")
    rough = 0.5 / usual_width(pieces)
    frequency = np.linspace(0, min(NODES_REACH * rough, 1.0), NODES + 1)[1:]
    nodes = np.exp(-np.log(2) * (frequency / rough) ** 2)
    steps = Steps(frequency, _reach(pieces))
    states = [State(p.places.copy(), 0.0, np.zeros(len(p.places) + 1)) for p in pieces]
    chosen = np.ones(len(pieces), dtype=bool)
    terms = _all_terms(steps, pieces, states, nodes)
    for count in range(ROUNDS):
        nodes = _improve(terms, states, nodes, chosen, damp=0.5 if count < 3 else 1.0)
        terms = _all_terms(steps, pieces, states, nodes)
        if count in (4, 7, 10):
            chosen = _agreeing(terms, nodes, frequency, narrowest)
    return _result(terms, nodes, frequency, chosen, states)


def usual_width(pieces: Sequence[Piece]) -> float:
    """10-90 % width, px, of the pieces' narrowest third, which is nearest to what one edge shows."""
    return float(np.percentile([piece.width for piece in pieces], 30))


def steps_of(pieces: Sequence[Piece], found: CommonResponse, finer: float = 1.0) -> Steps:
    """The edge spread that was found, with room for places of `pieces` so many times as far out."""
    steps = Steps(found.frequency, finer * _reach(pieces))
    steps.weigh(found.nodes)
    return steps


def fit_again(pieces: Sequence[Piece], found: CommonResponse) -> CommonResponse:
    """The same for the pieces that counted (in their order), where they hold a little other
    light."""
    steps = Steps(found.frequency, _reach(pieces))
    states = [replace(state) for state in found.states]
    terms, nodes = _all_terms(steps, pieces, states, found.nodes), found.nodes
    chosen = np.ones(len(pieces), dtype=bool)
    for _ in range(ROUNDS_AGAIN):
        nodes = _improve(terms, states, nodes, chosen, damp=1.0)
        terms = _all_terms(steps, pieces, states, nodes)
    return _result(terms, nodes, found.frequency, chosen, states)


def _reach(pieces: Sequence[Piece]) -> float:
    return max(float(np.abs(p.across).max() + np.abs(p.places).max()) for p in pieces) + 4


@dataclass
class _Terms:
    """One piece, linearised: information on the nodes (own unknowns eliminated), pull, residual
    rms."""

    matrix: Float
    pull: Float
    noise: float
    own: Float
    """Maps a change of the nodes, and 1, to the change of the piece's own unknowns."""
    step: float
    width: float


def _all_terms(
    steps: Steps, pieces: Sequence[Piece], states: Sequence[State], nodes: Float
) -> list[_Terms]:
    steps.weigh(nodes)
    return [_terms(steps, p, s) for p, s in zip(pieces, states, strict=True)]


def _terms(steps: Steps, piece: Piece, state: State) -> _Terms:
    at = piece.across - state.tilt * piece.along
    basis = np.stack([np.ones_like(at), *(steps.spread(at - x) for x in state.places)], axis=1)
    # Heights are linear: they are always at their best, with a weak hold where steps merge.
    hold = 1e-3 * len(at) * np.eye(basis.shape[1])
    hold[0, 0] = 0
    normal = basis.T @ basis + 1e-2 * hold
    state.heights = np.asarray(np.linalg.solve(normal, basis.T @ piece.value), np.float64)
    rest = piece.value - basis @ state.heights
    slopes = [steps.slope(at - x) for x in state.places]
    by_place = np.stack([-a * s for a, s in zip(state.heights[1:], slopes, strict=True)], axis=1)
    by_tilt = by_place.sum(axis=1, keepdims=True) * piece.along[:, None]
    by_node = sum(
        a * steps.by_node(at - x) for a, x in zip(state.heights[1:], state.places, strict=True)
    )
    own = np.concatenate([basis, by_place, by_tilt], axis=1)
    step = float(np.abs(state.heights[1:]).max())
    noise = max(float(np.sqrt(np.mean(rest**2))), MODEL_SHARE * step)
    prior = np.concatenate([
        np.diag(hold) * 1e-2 / noise**2, np.full(len(state.places), PLACE_U_PX**-2.0), [TILT_U**-2.0]
    ])  # fmt: skip
    off = np.concatenate([np.zeros(basis.shape[1]), state.places - piece.places, [state.tilt]])
    normal = own.T @ own / noise**2 + np.diag(prior)
    cross = own.T @ by_node / noise**2
    toward = own.T @ rest / noise**2 - prior * off
    toward[: basis.shape[1]] = 0.0  # heights are at their best already
    solved = np.linalg.solve(normal, np.column_stack([cross, toward]))
    matrix = by_node.T @ by_node / noise**2 - cross.T @ solved[:, :-1]
    pull = by_node.T @ rest / noise**2 - cross.T @ solved[:, -1]
    return _Terms(
        matrix, pull, noise, np.column_stack([-solved[:, :-1], solved[:, -1]]), step, piece.width
    )


def _improve(
    terms: Sequence[_Terms], states: Sequence[State], nodes: Float, chosen: Flags, damp: float
) -> Float:
    matrix = sum(t.matrix for t, use in zip(terms, chosen, strict=True) if use)
    pull = sum(t.pull for t, use in zip(terms, chosen, strict=True) if use)
    bend = _second_differences(len(nodes))
    guess = np.asarray(bend @ np.concatenate([[1.0], nodes]), np.float64)
    smooth = bend[:, 1:]
    change = np.linalg.solve(
        matrix + smooth.T @ smooth / SMOOTH_U**2, pull - smooth.T @ guess / SMOOTH_U**2
    )
    for term, state in zip(terms, states, strict=True):
        own = term.own @ np.concatenate([damp * change, [1.0]])
        edges = len(state.places)
        state.places = state.places + np.clip(own[edges + 1 : 2 * edges + 1], -0.5, 0.5)
        state.tilt += float(np.clip(own[-1], -0.02, 0.02))
    return nodes + damp * change


def _second_differences(count: int) -> Float:
    rows = np.zeros((count - 1, count + 1))
    for k in range(count - 1):
        rows[k, k : k + 3] = 1, -2, 1
    return rows


def _widenings(terms: Sequence[_Terms], nodes: Float, frequency: Float) -> tuple[Float, Float]:
    """By how much each piece would widen the common blur: variance in px^2, and its noise."""
    wider = -2 * np.pi**2 * frequency**2 * nodes
    known = np.array([float(wider @ t.matrix @ wider) for t in terms])
    pull = np.array([float(wider @ t.pull) for t in terms])
    return pull / np.maximum(known, 1e-12), 1 / np.sqrt(np.maximum(known, 1e-12))


def _agreeing(terms: Sequence[_Terms], nodes: Float, frequency: Float, narrowest: bool) -> Flags:
    """The pieces that show one response: no misfit, and of one group that agrees."""
    share = np.array([t.noise / max(t.step, 1e-9) for t in terms])
    fit = share < max(MISFIT * float(np.percentile(share, 25)), 0.05)
    widening, noise = _widenings(terms, nodes, frequency)
    width = float(np.percentile([t.width for t in terms], 30)) / 2.563
    told = fit & (noise < 0.5 * width**2)
    if told.sum() < FEWEST_PIECES:
        raise NotMeasurable(f"only {int(told.sum())} pieces of wiring show an even edge")
    floor = 0.04 * width**2
    at = _group(widening[told], np.hypot(noise[told], floor), narrowest)
    apart = np.abs(widening - at)
    near = told & (apart < 3 * np.hypot(noise, floor))
    spread = max(SIGMA_OF_MAD * float(np.median(apart[near] / np.hypot(noise, floor)[near])), 1.0)
    return np.asarray(told & (apart < 3 * min(spread, 1.5) * np.hypot(noise, floor)))


def _group(value: Float, u: Float, narrowest: bool) -> float:
    """Where values crowd most, or first: the first peak of their density that holds its share."""
    grid = np.linspace(value.min(), np.percentile(value, 90) + 1e-9, 200)
    wide = np.maximum(u, 1e-9)
    kernel = np.exp(-0.5 * ((grid[:, None] - value) / wide) ** 2)
    density = (kernel / wide).sum(axis=1)
    held = (kernel > np.exp(-2)).sum(axis=1)  # within two standard uncertainties
    rising = np.concatenate([[True], np.diff(density) > 0])
    peak = rising & ~np.concatenate([rising[1:], [False]])
    good = np.flatnonzero(peak & (held >= max(GROUP_SHARE * len(value), FEWEST_PIECES)))
    good = good[density[good] > 0.4 * density.max()] if good.size else good
    return float(grid[good[0]] if good.size and narrowest else grid[int(np.argmax(density))])


def _result(
    terms: Sequence[_Terms], nodes: Float, frequency: Float, chosen: Flags, states: Sequence[State]
) -> CommonResponse:
    used = [k for k in range(len(terms)) if chosen[k]]
    if len(used) < FEWEST_PIECES:
        raise NotMeasurable(f"only {len(used)} pieces of wiring agree on one edge width")
    kept = [terms[k] for k in used]
    matrix = np.asarray(sum(t.matrix for t in kept))
    pull = np.asarray(sum(t.pull for t in kept))
    widening, noise = _widenings(kept, nodes, frequency)
    # How pieces scatter about the common response, over what their own residuals would let them.
    inflation = max(1.0, float(np.sqrt(np.mean((widening / noise) ** 2))))
    return CommonResponse(
        frequency, nodes, matrix / inflation**2, pull / inflation**2, tuple(used), widening,
        noise * inflation, inflation, tuple(states[k] for k in used),
    )  # fmt: skip
