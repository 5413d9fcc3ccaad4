"""Which units of a lot are taken for its sample: at random, without replacement, and again alike.

Every order of the lot's units is as likely as any other.  Chance comes from SHA-256 of the seed
and the place in the order, so that whoever has the seed can draw the sample again with any tool,
whatever becomes of this program's libraries.
"""

from __future__ import annotations

from hashlib import sha256

from rig.quality.sampling_tables import SamplingError


def drawing_order(lot_size: int, count: int, seed: int) -> tuple[int, ...]:
    """Return the first ``count`` units (1 to ``lot_size``) of the lot, in the order of the draw.

    A larger ``count`` goes on from a smaller one: the next unit of the order replaces one that
    cannot be tested.  Shuffling of Fisher and Yates (Knuth, TAOCP volume 2, 3.4.2, algorithm P), as
    far as it is asked for.  Raises SamplingError where the lot has not so many units.
    """
    if not 0 <= count <= lot_size:
        raise SamplingError(
            f"{count} units cannot be drawn from a lot of {lot_size}.", about="count"
        )
    moved: dict[int, int] = {}
    order = []
    for place in range(count):
        # 256 bits over a lot of millions: no unit is favoured by more than 1e-69.
        chance = int.from_bytes(sha256(f"{seed} {place}".encode()).digest(), "big")
        other = place + chance % (lot_size - place)
        order.append(1 + moved.get(other, other))
        moved[other] = moved.get(place, place)
    return tuple(order)


def draw(lot_size: int, n: int, seed: int) -> tuple[int, ...]:
    """Return the ``n`` units of the sample in the order of the crate; raises SamplingError."""
    return tuple(sorted(drawing_order(lot_size, n, seed)))
