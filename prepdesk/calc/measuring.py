"""What each measuring apparatus, and the temperature of the room, carry into an uncertainty.

Limits somebody vouches for (a glassware standard, a balance's display, a record) become standard
uncertainties by the distribution those limits mean, each with its name and source.

Source of the whole method: JCGM 100:2008 (GUM); EURACHEM/CITAC Guide CG 4 (QUAM), examples A1 to A3.
"""

import math
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.apparatus import limit_of
from prepdesk.calc.errors import InputError
from prepdesk.calc.model import Apparatus
from prepdesk.calc.uncertainty import Input, rectangular, triangular

# Volume expansion of water and dilute solutions near 20 °C [1/K]. Source: QUAM A1.
WATER_EXPANSION_PER_K: Final = 2.1e-4
# How far a teaching room strays from the stated temperature [K], rectangular. Source: QUAM A1 (± 4 °C).
ROOM_HALF_WIDTH_K: Final = 4.0
# The same in a water bath with a thermometer [K] (common practice).
BATH_HALF_WIDTH_K: Final = 1.0
# Volume expansion of soda-lime glass [1/K], the larger of the two usual glasses. Source: ISO 4787.
GLASS_EXPANSION_PER_K: Final = 27e-6
# Filling to a mark repeats within a fifth of the limit of error: QUAM A1 found 0.02 mL for ± 0.1 mL.
FILLING_PART_OF_TOLERANCE: Final = 0.2
# A repeatability is found from ten repeats. Source: USP <41> (balances), QUAM A1 (ten fillings of a
# flask), ISO 8655-6 (piston pipettes).
FREEDOM_OF_A_REPEATABILITY: Final = 9
# Random over systematic limit of a piston pipette from 100 µL upwards. Source: ISO 8655-2.
PISTON_RANDOM_PART: Final = 0.375
# A carboy's level is read to 2 mm of some 40 cm (common practice).
LEVEL_MARK_RELATIVE: Final = 0.005


def balance_inputs(balance: Apparatus) -> tuple[Input, ...]:
    """What a weighing by difference on one balance carries [g].

    Tare and gross are two readings, so the display's rounding and the linearity count twice. A
    repeatability or linearity that nobody recorded adds nothing: inventing one would forbid a 0.1 g
    balance the order it serves well.

    Args:
        balance: with ``readability_g`` [g], and ``repeatability_g`` and ``linearity_g`` [g] where known.

    Returns:
        One to three inputs, standard uncertainties in g.

    Source: QUAM A2 (linearity ± 0.15 mg rectangular, counted twice).

    >>> [round(i.standard, 6) for i in balance_inputs(Apparatus("balance", readability_g=0.01))]
    [0.004082]
    """
    readability = balance.readability_g or 0.0
    found = [
        Input(
            "balance display, tare and gross",
            rectangular(readability / 2) * math.sqrt(2.0),
            "rectangular",
            f"readability {readability:g} g, two readings",
            systematic=False,
        )
    ]
    if balance.repeatability_g:
        found.append(
            Input(
                "balance repeatability",
                balance.repeatability_g,
                "normal",
                f"record of the balance, {balance.repeatability_g:g} g",
                systematic=False,
                degrees_of_freedom=FREEDOM_OF_A_REPEATABILITY,
            )
        )
    if balance.linearity_g:
        found.append(
            Input(
                "balance linearity, tare and gross",
                rectangular(balance.linearity_g) * math.sqrt(2.0),
                "rectangular",
                f"± {balance.linearity_g:g} g, counted twice (QUAM A2)",
            )
        )
    return tuple(found)


def one_mark_inputs(ware: Apparatus) -> tuple[Input, ...]:
    """What a one-mark flask or pipette carries at its mark, besides the temperature [mL].

    Args:
        ware: with ``tolerance_ml`` [mL].

    Returns:
        The limit of error, triangular as in QUAM A1, and the filling to the mark, normal [mL].

    Source: QUAM A1.

    >>> flask = Apparatus("one-mark flask", nominal_ml=100, tolerance_ml=0.1)
    >>> [round(i.standard, 5) for i in one_mark_inputs(flask)]
    [0.04082, 0.02]
    """
    tolerance = ware.tolerance_ml or 0.0
    name = f"{ware.nominal_ml:g} mL {ware.type}"
    return (
        Input(
            f"{name}, limit of error",
            triangular(tolerance),
            "triangular",
            f"± {tolerance:g} mL, {ware.standard or 'record of the apparatus'}; triangular as in QUAM A1",
        ),
        Input(
            f"{name}, filling to the mark",
            tolerance * FILLING_PART_OF_TOLERANCE,
            "normal",
            "a fifth of the limit of error, the proportion of QUAM A1",
            systematic=False,
            degrees_of_freedom=FREEDOM_OF_A_REPEATABILITY,
        ),
    )


def graduated_inputs(ware: Apparatus) -> tuple[Input, ...]:
    """What a cylinder, graduated pipette or burette carries at any reading, besides the temperature [mL].

    The limit of error holds anywhere on the scale, where no value is the likelier, so it is counted
    rectangular. A meniscus is read to half a division; a burette is read twice.

    Args:
        ware: with ``tolerance_ml`` and, where known, ``division_ml`` [mL].

    Returns:
        Limit of error and reading [mL].

    Source: GUM 4.3.7; reading to half a division is common practice.

    >>> cylinder = Apparatus("graduated cylinder", nominal_ml=100, tolerance_ml=1.0, division_ml=1.0)
    >>> [round(i.standard, 4) for i in graduated_inputs(cylinder)]
    [0.5774, 0.1443]
    """
    tolerance = ware.tolerance_ml or 0.0
    readings = 2 if ware.type == "burette" else 1
    division = division_of(ware)
    name = f"{ware.nominal_ml:g} mL {ware.type}"
    return (
        Input(
            f"{name}, limit of error",
            rectangular(tolerance),
            "rectangular",
            f"± {tolerance:g} mL anywhere on the scale, {ware.standard or 'record of the apparatus'}",
        ),
        Input(
            f"{name}, reading",
            rectangular(division / 4) * math.sqrt(readings),
            "rectangular",
            f"division {division:g} mL, read to half of it" + (", two readings" if readings == 2 else ""),
            systematic=False,
        ),
    )


def division_of(ware: Apparatus) -> float:
    """Smallest graduation [mL]; twice the limit of error where the record names none."""
    return ware.division_ml or 2.0 * (ware.tolerance_ml or 0.0)


def piston_inputs(ware: Apparatus) -> tuple[Input, ...]:
    """What a piston pipette carries at any set volume, besides the temperature [mL].

    The limits of the nominal volume hold in absolute terms at every set volume, so the relative error
    grows as the volume is dialled down.

    Args:
        ware: with ``tolerance_ml``, the systematic limit [mL]; its standard names the random one.

    Returns:
        Systematic and random error [mL].

    Source: ISO 8655-2; for a size outside its table the random limit is taken as 3/8 of the
    systematic one, as the table has it from 100 µL upwards.

    >>> pipette = Apparatus("piston pipette", nominal_ml=1.0, tolerance_ml=0.008, standard="ISO 8655-2:2002")
    >>> [round(i.standard, 5) for i in piston_inputs(pipette)]
    [0.00462, 0.003]
    """
    tolerance = ware.tolerance_ml or 0.0
    try:
        found = limit_of("piston pipette", ware.nominal_ml or 0.0, "", ware.standard).random_ml
        random_ml = found if found is not None else tolerance * PISTON_RANDOM_PART
    except InputError:
        random_ml = tolerance * PISTON_RANDOM_PART
    name = f"{ware.nominal_ml:g} mL {ware.type}"
    standard = ware.standard or "record of the apparatus"
    return (
        Input(
            f"{name}, systematic error",
            rectangular(tolerance),
            "rectangular",
            f"± {tolerance * 1000:g} µL at any set volume, {standard}",
        ),
        Input(
            f"{name}, random error",
            random_ml,
            "normal",
            f"{random_ml * 1000:g} µL, {standard}",
            systematic=False,
            degrees_of_freedom=FREEDOM_OF_A_REPEATABILITY,
        ),
    )


def ware_inputs(ware: Apparatus) -> tuple[Input, ...]:
    """The inputs of any measuring ware by its kind [mL]; see the functions above."""
    if ware.type in ("one-mark flask", "one-mark pipette"):
        return one_mark_inputs(ware)
    if ware.type == "piston pipette":
        return piston_inputs(ware)
    return graduated_inputs(ware)


def room_input(
    half_width_k: float = ROOM_HALF_WIDTH_K, expansion_per_k: float = WATER_EXPANSION_PER_K
) -> Input:
    """What the room's wandering temperature does to a volume of liquid, relative [1].

    Args:
        half_width_k: how far the temperature may lie from the stated one [K], 0 to 20.
        expansion_per_k: volume expansion of the liquid [1/K].

    Source: QUAM A1, ± 4 °C × 2.1e-4 /°C, rectangular.

    >>> round(room_input().standard * 100.0, 6)
    0.048497
    """
    return Input(
        "temperature of the liquid",
        rectangular(half_width_k * expansion_per_k),
        "rectangular",
        f"± {half_width_k:g} °C × {expansion_per_k:.2g} per °C (QUAM A1)",
    )


def glass_input(temperature_c: float) -> Input:
    """The glass's own expansion away from the 20 °C of its calibration, left uncorrected, relative [1].

    Args:
        temperature_c: temperature of use [°C], 0 to 60.

    Source: ISO 4787, soda-lime glass.

    >>> round(glass_input(25.0).standard, 8)
    7.794e-05
    """
    return Input(
        "glass away from 20 °C",
        rectangular(GLASS_EXPANSION_PER_K * abs(temperature_c - 20.0)),
        "rectangular",
        "0.000027 per °C for soda-lime glass (ISO 4787), not corrected for",
    )


@dataclass(frozen=True, slots=True)
class Room:
    """The temperature under which volumes are measured.

    Attributes:
        temperature_c: stated temperature of making up and use [°C].
        half_width_k: how far it may stray [K].
        expansion_per_k: volume expansion of the liquid [1/K].
    """

    temperature_c: float = 20.0
    half_width_k: float = ROOM_HALF_WIDTH_K
    expansion_per_k: float = WATER_EXPANSION_PER_K

    @property
    def inputs(self) -> tuple[Input, ...]:
        """What the temperature does to one measured volume, relative [1]."""
        return (room_input(self.half_width_k, self.expansion_per_k), glass_input(self.temperature_c))

    @property
    def variance(self) -> float:
        """Relative variance of one measured volume by the temperature [1]."""
        return sum(one.standard**2 for one in self.inputs)

    @property
    def tempered(self) -> bool:
        """Whether the liquids are brought to temperature instead of left to the room."""
        return self.half_width_k < ROOM_HALF_WIDTH_K
