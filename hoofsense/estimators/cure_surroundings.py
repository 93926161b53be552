"""What is taken of the foot, its cover and the weather where nobody measured it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hoofsense.physics.constants import ICE_POINT_K
from hoofsense.physics.poured_pad import bare_sole_K

FloatArray = npt.NDArray[np.float64]

# Defaults of the foot and the weather. Sources: handbook values from memory for horn and film; tissue and
# horn thickness are assumptions; the covers are computed from thickness over conductivity.
HORN_THICKNESS_m = 0.010
HORN_CONDUCTIVITY_W_per_m_K = 0.35
HORN_CAPACITY_J_per_m3_K = 1250.0 * 2000.0
TISSUE_W_per_m2_K = 40.0
EMISSIVITY_ratio = 0.92
STILL_FILM_W_per_m2_K = 8.0
FILM_COVER_m2_K_per_W = 3e-4  # 0.1 mm of polyethylene at 0.33 W/(m K)
INSULATING_COVER_m2_K_per_W = 0.12  # 5 mm of closed-cell foam at 0.04 W/(m K)
# Temperature of the living tissue by air temperature: assumption, +/-4 K.
_TISSUE_AIR_K = ICE_POINT_K + np.array([-10.0, 0.0, 10.0, 21.0, 35.0])
_TISSUE_K = ICE_POINT_K + np.array([8.0, 12.0, 18.0, 27.0, 34.0])

# Convection in wind, h = 5.7 + 3.8 v for v up to 5 m/s (W. H. McAdams, Heat Transmission, 1954; from memory).
_WIND_STILL_W_per_m2_K = 5.7
_WIND_SLOPE_J_per_m3_K = 3.8
_WIND_MOST_W_per_m2_K = 40.0


def tissue_K_in(air_K: npt.ArrayLike) -> FloatArray:
    """Default temperature of the living tissue behind the horn in air; an assumption good to about 4 K."""
    return np.asarray(np.interp(np.asarray(air_K, dtype=np.float64), _TISSUE_AIR_K, _TISSUE_K))


def film_W_per_m2_K(wind_m_per_s: float | None) -> float:
    """Convective film coefficient at the face of the pad; still air where the wind is not known."""
    if wind_m_per_s is None:
        return STILL_FILM_W_per_m2_K
    if not wind_m_per_s >= 0.0:
        raise ValueError(f"wind {wind_m_per_s} m/s must be 0 or more: check the sensor")
    return min(_WIND_STILL_W_per_m2_K + _WIND_SLOPE_J_per_m3_K * wind_m_per_s, _WIND_MOST_W_per_m2_K)


def cold_sole_K(air_K: float, wind_m_per_s: float | None = None) -> float:
    """Temperature of a bare sole that nobody warmed, in that air."""
    return float(
        bare_sole_K(
            tissue_K_in(air_K),
            air_K,
            horn_thickness_m=HORN_THICKNESS_m,
            horn_conductivity_W_per_m_K=HORN_CONDUCTIVITY_W_per_m_K,
            tissue_W_per_m2_K=TISSUE_W_per_m2_K,
            film_W_per_m2_K=film_W_per_m2_K(wind_m_per_s),
            emissivity_ratio=EMISSIVITY_ratio,
        )
    )
