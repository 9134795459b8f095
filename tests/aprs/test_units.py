"""Units: NIST SP 811 appendix B.8, where these factors are exact."""

import pytest

from ridgepost.aprs import units


@pytest.mark.parametrize(
    ("factor", "exact"),
    [
        (units.M_PER_FT, 0.3048),
        (units.M_PER_MILE, 1609.344),
        (units.M_PER_NM, 1852),
        (units.MM_PER_IN, 25.4),
        (units.KMH_PER_KNOT, 1.852),
        (units.M_S_PER_MPH, 0.44704),
        # 0.44704 m/s and 1852 m an hour.
        (units.KNOTS_PER_MPH, 0.44704 * 3600 / 1852),
    ],
)
def test_factor(factor: float, exact: float) -> None:
    assert factor == pytest.approx(exact, rel=1e-15)
