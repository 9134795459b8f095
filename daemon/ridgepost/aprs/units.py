"""What the units of the air are in those of the rest of the world: all exact, by definition."""

from typing import Final

M_PER_FT: Final = 0.3048
M_PER_MILE: Final = 1609.344
M_PER_NM: Final = 1852.0
MM_PER_IN: Final = 25.4
KMH_PER_KNOT: Final = M_PER_NM / 1000.0
KNOTS_PER_MPH: Final = M_PER_MILE / M_PER_NM
M_S_PER_MPH: Final = M_PER_MILE / 3600.0
