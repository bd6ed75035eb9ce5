"""A clarifier: its geometry and its frames of reference.

The floor datum is the floor level at the side wall, in a rectangular tank at the end wall where the floor is highest; every height is
metres above it. A floor that slopes away from that wall is lower wherever a core sampler or a sensor stands, by
``floor_slope × distance from the wall``, in a rectangular tank measured along its length.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from service.errors import DomainError


class TankKind(StrEnum):
    """What the tank settles; decides which balances hold for it."""

    PRIMARY = "primary"
    SECONDARY = "secondary"
    THICKENER = "thickener"


class TankShape(StrEnum):
    """Plan of the tank."""

    CIRCULAR = "circular"
    RECTANGULAR = "rectangular"


#: Distances in a rectangular tank count from here, along its length.
END_WALL = "the end wall where the floor is highest"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotchedWeir:
    """A weir of equal V-notches."""

    notch_angle: float  #: [degree]
    notch_count: int
    discharge_coefficient: float = 0.58  #: [–]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """One clarifier. Lengths in [m], slopes as fall per length [–]."""

    key: str
    label: str
    kind: TankKind
    shape: TankShape
    side_water_depth: float
    floor_slope: float = 0.0
    diameter: float | None = None
    length: float | None = None
    width: float | None = None
    weir_length: float | None = None
    notched_weir: NotchedWeir | None = None
    #: Customary coring spot, as distance from the wall of the floor datum.
    core_distance_from_wall: float = 0.0
    #: One revolution (circular) or one flight pass (rectangular) of the scraper [h]; None when not known.
    arm_period: float | None = None
    #: Scraper arms on one drive, evenly spaced: with two, one has just passed the sampler at 180° too.
    arms: int = 1

    def angle_since_arm(self, arm_position: float | None) -> float | None:
        """How far the nearest arm before the sampler has gone on, from the angle to the first arm. [degree]"""
        return None if arm_position is None else arm_position % (360.0 / self.arms)

    @property
    def area(self) -> float:
        """Free water surface. [m²]"""
        if self.shape is TankShape.CIRCULAR:
            if self.diameter is None:
                raise DomainError(f"tank {self.key} is circular but has no diameter")
            return math.pi * self.diameter**2 / 4.0
        if self.length is None or self.width is None:
            raise DomainError(f"tank {self.key} is rectangular but lacks length or width")
        return self.length * self.width

    @property
    def wall(self) -> str:
        """Which wall distances count from, in words; the floor is highest there."""
        return "the wall" if self.shape is TankShape.CIRCULAR else END_WALL

    @property
    def reach(self) -> float:
        """Greatest distance from that wall at which something can stand: radius, or length. [m]"""
        if self.shape is TankShape.CIRCULAR:
            return (self.diameter or 0.0) / 2.0
        return self.length or 0.0

    def floor_drop(self, distance_from_wall: float) -> float:
        """How far the floor lies below the floor datum at that distance from the wall. [m]

        >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0,
        ...          side_water_depth=4.0, floor_slope=1 / 12)
        >>> round(t.floor_drop(5.0), 4)
        0.4167
        """
        return self.floor_slope * distance_from_wall

    def height_from_thickness(self, thickness: float, distance_from_wall: float) -> float:
        """Blanket height above the floor datum from a core's thickness where the sampler stood. [m]

        Parameters
        ----------
        thickness : settled sludge above the floor under the sampler. [m]
        distance_from_wall : where the sampler stood. [m]

        >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0,
        ...          side_water_depth=4.0, floor_slope=1 / 12)
        >>> round(t.height_from_thickness(1.0, 5.0), 4)
        0.5833
        """
        return thickness - self.floor_drop(distance_from_wall)

    def thickness_from_height(self, height: float, distance_from_wall: float) -> float:
        """What a core would read at that distance from the wall for a blanket height. [m]"""
        return height + self.floor_drop(distance_from_wall)

    def share_at_core(self, height: float) -> float:
        """What a core at the customary spot would read of a blanket, over the water's depth there. [–]

        The quarter-depth rule is one of cores: thickness and depth where the sampler stands, not at the wall.

        >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0,
        ...          side_water_depth=4.0, floor_slope=1 / 12, core_distance_from_wall=5.0)
        >>> round(t.share_at_core(0.6875), 4)
        0.25
        """
        drop = self.floor_drop(self.core_distance_from_wall)
        return max(height + drop, 0.0) / (self.side_water_depth + drop)

    def height_of_share(self, share: float) -> float:
        """The blanket height at which a core at the customary spot reads that share of the depth there. [m]"""
        drop = self.floor_drop(self.core_distance_from_wall)
        return share * (self.side_water_depth + drop) - drop

    def clearance(self, height: float) -> float:
        """Clear water between blanket and weir crest. [m]"""
        return self.side_water_depth - height

    @property
    def lowest_height(self) -> float:
        """Height of the lowest floor point: the bottom of what a blanket height can be. [m]"""
        return -self.floor_drop(self.reach)
