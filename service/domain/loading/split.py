"""Splits the plant's flow over its tanks: by surface, over those of a kind that are in service."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace

from service.domain.blanket.estimate import TankSetup
from service.domain.loading.rates import flow_split
from service.domain.plant.tank import Tank


def shares_of_plant(tanks: Iterable[Tank], out: Collection[str] = ()) -> dict[str, float]:
    """Each tank's part of the plant's flow, by its key; of a tank that is out, the part it would have if put back. [–]

    Parameters
    ----------
    out : keys of the tanks out of service.

    >>> from service.domain.plant.tank import TankKind, TankShape
    >>> a, b, c = (Tank(key=k, label=k, kind=TankKind.SECONDARY, shape=TankShape.RECTANGULAR, length=30.0, width=w,
    ...                 side_water_depth=4.0) for k, w in (("a", 10.0), ("b", 10.0), ("c", 20.0)))
    >>> shares_of_plant([a, b, c]), shares_of_plant([a, b, c], {"c"})
    ({'a': 0.25, 'b': 0.25, 'c': 0.5}, {'a': 0.5, 'b': 0.5, 'c': 0.5})
    """
    tanks = tuple(tanks)
    return {
        tank.key: flow_split(
            1.0,
            {t.key: t.area for t in tanks if t.kind is tank.kind and (t.key == tank.key or t.key not in out)},
        )[tank.key]
        for tank in tanks
    }


def split_over(setups: Iterable[TankSetup], out: Collection[str]) -> tuple[TankSetup, ...]:
    """The tanks with their parts of the plant's flow as it is split now."""
    setups = tuple(setups)
    shares = shares_of_plant((setup.tank for setup in setups), out)
    return tuple(replace(setup, share_of_plant=shares[setup.tank.key]) for setup in setups)
