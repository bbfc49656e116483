"""Air carries part of what is weighed: what a balance shows is not quite the mass.

For salts it is 0.01 to 0.06 %, below the flask; for water 0.1 %, so it counts when glassware is
calibrated by weighing water, and as an option for the tightest work.
"""

from typing import Final

from prepdesk.calc.density import water_density

AIR_G_PER_ML: Final = 0.0012
WEIGHTS_G_PER_ML: Final = 8.0


def buoyancy_factor(
    density_g_per_ml: float,
    air_g_per_ml: float = AIR_G_PER_ML,
    weights_g_per_ml: float = WEIGHTS_G_PER_ML,
) -> float:
    """Mass per gram that the balance shows.

    Args:
        density_g_per_ml: of what is weighed [g/mL], more than that of air.
        air_g_per_ml: of the air [g/mL].
        weights_g_per_ml: that the balance was adjusted with [g/mL]; 8.0 is conventional, brass 8.4.

    Returns:
        Factor [1]: mass = factor × reading.

    Raises:
        ValueError: for something no denser than air.

    Source: Harvey, Analytical Chemistry 2.1, Appendix 9, in its exact form.

    >>> round(buoyancy_factor(2.165), 6)
    1.000404
    """
    if density_g_per_ml <= air_g_per_ml:
        raise ValueError("It would float away: its density must be more than that of air.")
    return (1.0 - air_g_per_ml / weights_g_per_ml) / (1.0 - air_g_per_ml / density_g_per_ml)


def volume_from_water_ml(
    reading_g: float,
    temperature_c: float,
    air_g_per_ml: float = AIR_G_PER_ML,
    weights_g_per_ml: float = WEIGHTS_G_PER_ML,
) -> float:
    """Volume of the water that a balance shows: how glassware is calibrated.

    Args:
        reading_g: what the balance shows of the water [g].
        temperature_c: of the water [°C], 0 to 40.
        air_g_per_ml, weights_g_per_ml: as for :func:`buoyancy_factor` [g/mL].

    Returns:
        Volume at that temperature [mL].

    Raises:
        NoDensity: outside 0 to 40 °C.

    Source: ISO 4787 (method); CIPM 2001 for the density of water.

    >>> round(volume_from_water_ml(9.9736, 25.0, weights_g_per_ml=8.40), 3)
    10.014
    """
    density = water_density(temperature_c).g_per_ml
    return reading_g * buoyancy_factor(density, air_g_per_ml, weights_g_per_ml) / density
