"""Physical constants used by more than one physics module.

Source: CODATA 2018 (exact by the 2019 SI) unless another is named beside the number.
"""

GAS_CONSTANT_J_per_mol_K = 8.314462618
STEFAN_BOLTZMANN_W_per_m2_K4 = 5.670374419e-8
PLANCK_J_s = 6.62607015e-34
BOLTZMANN_J_per_K = 1.380649e-23
SPEED_OF_LIGHT_m_per_s = 299792458.0

ICE_POINT_K = 273.15  # 0 degC by definition of the Celsius scale
TRIPLE_POINT_K = 273.16
STANDARD_PRESSURE_Pa = 101325.0  # standard atmosphere
