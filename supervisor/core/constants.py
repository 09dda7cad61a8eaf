"""Constants, each with unit and source."""

G0_MPS2 = 9.80665  # standard acceleration of free fall, ISO 2533
R_AIR_JPKGK = 287.05287  # specific gas constant of dry air, ISO 2533
T0_K = 288.15  # sea-level standard temperature, ISO 2533
P0_PA = 101325.0  # sea-level standard pressure, ISO 2533
RHO0_KGPM3 = 1.225  # sea-level standard density, ISO 2533
LAPSE_KPM = 0.0065  # temperature lapse of the standard troposphere, ISO 2533
KELVIN = 273.15  # 0 degC in kelvin
WGS84_A_M = 6378137.0  # semi-major axis, WGS 84
WGS84_F = 1.0 / 298.257223563  # flattening, WGS 84
