"""A part as two lumps: what the current warms, and a case between it and the air.

``dT/dt = h(i)·r(T) + q - c·(T - T_case)`` with the heating by current ``h(i) = a·i² (+ b·|i|)``
and the rise of a conductor's resistance ``r(T) = 1 + k·(T - 20)``; the case, lighter or heavier by
the ratio d of heat capacities, follows
``dT_case/dt = d·c·(T - T_case) + w·v^1.5 - g·(1 + s·v^0.7)·(T_case - T_air)``.

Sources: lumped-capacity heating and cooling, and forced convection between v^0.5 and v^0.8, in any
heat transfer textbook; copper 0.00393 /K at 20 °C, IEC 60028; conduction loss ∝ i² and switching
loss ∝ |i| in any power electronics textbook; iron loss between ∝ f (hysteresis) and ∝ f² (eddy
currents) in any text on machines; matrix exponential of a 2 × 2 matrix: Sylvester's formula.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..readings.series import Array
from .drive import IRON as IRON
from .drive import HeatDrive

STREAM = 0.7
"""Power of the speed of what moving air takes."""

MANY = 24
"""Sets from which on they go from step to step together: fewer are quicker chained in blocks."""


@dataclass(frozen=True)
class Rates:
    """Parameters of a model; the arrays hold one set or many, shape (m,).

    ``square`` a in K/s/A², ``linear`` b in K/s/A, ``rise`` k in 1/K, ``air`` g in 1/s, ``stream`` s
    in (s/m)^0.7, ``rolling`` w in K/s at 1 m/s, ``idle`` q in K/s, ``inner`` c in 1/s, ``ratio`` d;
    ``offset`` in K is what the part reads above the air when cold (a sensor's error, the sun).
    """

    square: Array
    linear: Array
    rise: Array
    air: Array
    stream: Array
    rolling: Array
    idle: Array
    inner: Array
    ratio: Array
    offset: Array


@dataclass(frozen=True)
class _Steps:
    """Of x' = A·x + b with constant b over a step: x becomes E·x + F·b; ``loss`` to the air, 1/s.
    Entries by row and column, each of shape (levels, m)."""

    decay: tuple[tuple[Array, Array], tuple[Array, Array]]
    gain: tuple[tuple[Array, Array], tuple[Array, Array]]
    loss: Array


def _exact(rates: Rates, speed: Array, step: float) -> _Steps:
    loss = rates.air * (1 + rates.stream * speed[:, None] ** STREAM)
    inner, back = rates.inner, rates.ratio * rates.inner
    middle, half = -(inner + back + loss) / 2, (back + loss - inner) / 2
    root = np.sqrt(half**2 + inner * back)
    slow, fast = np.exp((middle + root) * step), np.exp((middle - root) * step)
    even, odd = (slow + fast) / 2, (slow - fast) / (2 * root)
    decay = ((even + odd * half, odd * inner), (odd * back, even - odd * half))
    # F = A⁻¹·(E - 1), and the determinant of A is inner·loss.
    (e00, e01), (e10, e11) = decay
    whole = inner * loss
    gain = (
        (
            -((back + loss) * (e00 - 1) + inner * e10) / whole,
            -((back + loss) * e01 + inner * (e11 - 1)) / whole,
        ),
        (-(back * (e00 - 1) + inner * e10) / whole, -(back * e01 + inner * (e11 - 1)) / whole),
    )
    return _Steps(decay, gain, loss)


def warm(
    rates: Rates,
    drive: HeatDrive,
    start: tuple[Array, Array],
    place: int = 0,
    anchors: Array | None = None,
) -> tuple[Array, Array, Array]:
    """Return temperatures along the grid of the part (``place`` 0) or the case (1), shape
    (n + 1, m), and part and case at the end, °C.

    Each step is exact for the means of losses and surroundings; a conductor's resistance is that
    at its start.  Where the current was unknown before a step and is known again, the place that
    is read starts anew at ``anchors`` (n + 1,).
    """
    # Steps of like speed share a map; each level stands for the mean of its steps.
    paces = drive.paces
    level = paces.level
    one = _exact(rates, paces.speed, drive.step)
    heating = rates.square * drive.square[:, None]
    if rates.linear.any():
        heating += rates.linear * drive.linear[:, None]
    more = heating * rates.rise
    cool = heating - 20 * more + rates.idle
    taken = rates.rolling * paces.iron[:, None] + one.loss * rates.offset
    taken += one.loss * paces.air[:, None]  # mean air at a speed; the rest is added below
    beyond = (drive.air - paces.air[level])[:, None]
    anew = np.zeros(len(level), bool)
    if anchors is not None:
        # The last reading before the step stands for the place, whatever the model says.
        anew[1:] = drive.known[1:] & ~drive.known[:-1] & np.isfinite(anchors[1:-1])
    if len(start[0]) >= MANY:
        columns = [*one.decay[0], one.gain[0][0], one.gain[0][1] * taken]
        others = [*one.decay[1], one.gain[1][0], one.gain[1][1] * taken]
        given = None
        if np.any(np.abs(beyond) > 1e-3):
            columns.append(one.gain[0][1] * one.loss)
            others.append(one.gain[1][1] * one.loss)
            given = beyond[:, 0]
        maps = np.stack([columns, others]).transpose(2, 1, 0, 3).copy()
        return _step_by_step(maps, level, more, cool, given, start, place, anew, anchors)
    blocks, length = _blocks(len(level))
    # Everything by entry first, then by place in a block, then by block: what is chained lies side
    # by side in memory.  Steps past the end stand still.
    order = np.arange(blocks * length).reshape(blocks, length).T.ravel()
    past = order >= len(level)
    order[past] = 0
    at = level[order]
    first, second = (np.stack([row[side] for row in one.gain]) for side in (0, 1))
    alike = np.empty((2, 3, len(paces.speed), len(start[0])))
    for row, (e0, e1) in enumerate(one.decay):
        alike[row, 0], alike[row, 1] = e0, e1
    alike[:, 2] = second * taken
    maps = alike.take(at, axis=2)
    current = first.take(at, axis=1)
    room = current * more[order]
    maps[:, 0] += room
    maps[:, 2] += np.multiply(current, cool[order], out=room)
    if np.any(np.abs(beyond) > 1e-3):
        maps[:, 2] += (second * one.loss).take(at, axis=1) * beyond[order]
    if anchors is not None and anew.any():
        here = anew[order]
        maps[:, -1, here] += maps[:, place, here] * anchors[:-1][order[here], None]
        maps[:, place, here] = 0.0
    maps[:, :, past] = np.eye(2, 3)[:, :, None, None]
    path, end = _follow(maps.reshape(2, 3, length, -1), np.array(start), place)
    return path[: len(level) + 1], end[0], end[1]


def _step_by_step(
    maps: Array,
    level: npt.NDArray[np.intp],
    more: Array,
    cool: Array,
    beyond: Array | None,
    start: tuple[Array, Array],
    place: int,
    anew: npt.NDArray[np.bool_],
    anchors: Array | None,
) -> tuple[Array, Array, Array]:
    """Return what :func:`warm` does, from the ``maps`` of every level, shape (levels, k, 2, m).

    They map part, case, the part's heating ``cool`` + ``more`` · part, a 1 and, where it is given,
    the air ``beyond`` its mean at the level, to part and case a step later.
    """
    sets = maps.shape[-1]
    state = np.ones((maps.shape[1], sets))
    state[0], state[1] = start
    spread = state[:, None]
    both, part, heating, rest = state[:2], state[0], state[2], state[4:]
    path = np.empty((len(level) + 1, sets))
    path[0] = state[place]
    room = np.empty(maps.shape[1:])
    each = list(maps)
    fixed = set(np.flatnonzero(anew).tolist())
    for at, (pace, steeper, own, told) in enumerate(
        zip(level.tolist(), more, cool, path[1:], strict=True)
    ):
        if at in fixed and anchors is not None:
            state[place] = anchors[at]
        np.multiply(steeper, part, out=heating)
        heating += own
        if beyond is not None:
            rest.fill(beyond[at])
        np.multiply(each[pace], spread, out=room)
        np.add.reduce(room, axis=0, out=both)
        told[:] = state[place]
    return path, state[0].copy(), state[1].copy()


def _blocks(count: int) -> tuple[int, int]:
    """Return how many blocks ``count`` steps are chained in, and the steps of each."""
    length = int(np.ceil(np.sqrt(count)))
    return -(-count // length), length


def _follow(maps: Array, state: Array, place: int) -> tuple[Array, Array]:
    """Apply maps one after the other to ``state``, shape (2, m), and a 1; return one of the two
    values all along, shape (n + 1, m), and the last state.

    Maps are chained within blocks, all blocks side by side: n steps take 2√n rounds of numpy.
    ``maps`` are of shape (2, 3, steps of a block, blocks · m).
    """
    _, _, length, wide = maps.shape
    sets = state.shape[1]
    blocks = wide // sets
    chained = np.empty_like(maps)
    chained[:, :, 0] = maps[:, :, 0]
    room = np.empty((2, 3, wide))
    for k in range(1, length):
        own, before, whole = maps[:, :, k], chained[:, :, k - 1], chained[:, :, k]
        np.multiply(own[:, :1], before[None, 0], out=whole)
        whole += np.multiply(own[:, 1:2], before[None, 1], out=room)
        whole[:, 2] += own[:, 2]
    starts = np.empty((blocks + 1, 2, sets))
    starts[0] = state
    lasts = np.ascontiguousarray(
        chained[:, :, -1].reshape(2, 3, blocks, sets).transpose(2, 1, 0, 3)
    )
    for last, before, after in zip(lasts, starts[:-1], starts[1:], strict=True):
        np.multiply(last[0], before[0], out=after)
        after += last[1] * before[1]
        after += last[2]
    parts, cases = np.ascontiguousarray(starts[:-1].transpose(1, 0, 2)).reshape(2, wide)
    wanted = chained[place]
    path = wanted[0] * parts
    path += np.multiply(wanted[1], cases, out=wanted[1])
    path += wanted[2]
    along = path.reshape(length, blocks, sets).swapaxes(0, 1).reshape(-1, sets)
    return np.concatenate([state[place : place + 1], along]), starts[-1]


def steady_path(
    rates: Rates,
    current: float,
    air: Array,
    speed: float,
    start: tuple[Array, Array],
    times: Array,
    easier: Array | float = 1.0,
) -> tuple[Array, Array]:
    """Return part and case at ``times`` (k,) s under a constant ``current`` (A), shape (k, m) each.

    ``air`` (m,) is what the case would settle at unheated; ``easier`` multiplies the loss to it.
    """
    heating = rates.square * current**2 + rates.linear * abs(current)
    loss = rates.air * (1 + rates.stream * speed**STREAM) * easier
    inner, back = rates.inner, rates.ratio * rates.inner
    own = inner - heating * rates.rise  # below 0 the resistance rises faster than heat leaves
    middle, half = -(own + back + loss) / 2, (back + loss - own) / 2
    root = np.sqrt(half**2 + inner * back)
    whole = own * (back + loss) - inner * back
    whole = np.where(np.abs(whole) < 1e-12, 1e-12, whole)
    first = heating * (1 - 20 * rates.rise) + rates.idle
    second = rates.rolling * speed**IRON + loss * air
    part = ((back + loss) * first + inner * second) / whole
    case = (back * first + own * second) / whole
    far, near = start[0] - part, start[1] - case
    # A rate above 0 is a runaway; what passes 1000 K is past any limit.
    slow = np.exp(np.minimum((middle + root) * times[:, None], 50.0))
    fast = np.exp(np.minimum((middle - root) * times[:, None], 50.0))
    even, odd = (slow + fast) / 2, (slow - fast) / (2 * root)
    return (
        part + (even + odd * half) * far + odd * inner * near,
        case + odd * back * far + (even - odd * half) * near,
    )
