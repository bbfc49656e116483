"""What each way of working costs, in minutes at the bench.

The cheapest route that fits the tolerance is planned; these figures only have to rank the routes as a
prep room would. All of them are common practice and deliberately round. Equal minutes are decided by
the reagent used, then by what is thrown away.
"""

from typing import Final

from prepdesk.calc.model import Apparatus

# A finer display settles longer, wants smaller portions and a closed draught shield.
WEIGHING: Final = ((1.0, 1.0), (0.1, 1.5), (0.01, 2.0), (0.001, 4.0), (0.0001, 7.0))
WEIGHING_FINEST: Final = 10.0

# Pour to a line; set and press; suck up, wipe and set the meniscus; rinse, fill, read twice.
MEASURING: Final = {
    "graduated cylinder": 1.0,
    "piston pipette": 1.5,
    "graduated pipette": 2.0,
    "one-mark pipette": 2.0,
    "burette": 3.0,
}
# Nothing is weighed or measured in less than this.
LEAST_MEASURING: Final = 1.0
# A liquid on a balance is dropped in by pipette near the end; a fuming one has no business there.
LIQUID_ON_BALANCE: Final = 1.5
FUMING_ON_BALANCE: Final = 6.0

# A flask wants the rinsings, the last drops from a pipette and a stopper; a cylinder is poured to a line.
MAKE_UP_FLASK: Final = 4.0
MAKE_UP_LARGE_FLASK: Final = 5.0
LARGE_FLASK_ML: Final = 1000.0
MAKE_UP_CYLINDER: Final = 2.0
# Dissolving and carrying over, once for every vessel that is made up.
DISSOLVING: Final = 3.0
# Filling a carboy by cylinder, marking its level and emptying it again.
MARK_CARBOY: Final = 4.0
# Pouring several fillings together and mixing them until all is equal.
POOL: Final = 2.0
# Fetching another bottle of the same, comparing its label, opening it.
SECOND_BOTTLE: Final = 1.0
# A litre beyond what was asked takes reagent and a place and is disposed of in the end: as dear as another
# flask. It decides how a volume is made up; it is no time at the bench and never shown as such [per litre].
MADE_IN_VAIN: Final = 4.0
# An intermediate solution is labelled, mixed and washed up as well.
EXTRA_STAGE: Final = 4.0
# Bringing solvent and flask to the stated temperature in a water bath, when the room won't do.
TEMPERING: Final = 15.0
# The better glass is kept for those who need it.
CLASS_A: Final = 0.2
# Weighing several kilograms of water: carrying, taring, pouring.
WATER_ON_BALANCE: Final = 1.0


def weighing_minutes(readability_g: float) -> float:
    """Minutes for one weighing on a balance of this readability [g].

    >>> weighing_minutes(0.01)
    2.0
    """
    for step, minutes in WEIGHING:
        if readability_g >= step * 0.999:
            return minutes
    return WEIGHING_FINEST


def measuring_minutes(ware: Apparatus) -> float:
    """Minutes for one portion of liquid with this ware."""
    return MEASURING[ware.type] + (CLASS_A if ware.apparatus_class in ("A", "AS") else 0.0)


def make_up_minutes(ware: Apparatus) -> float:
    """Minutes for dissolving and making up once in this flask or cylinder."""
    better = CLASS_A if ware.apparatus_class in ("A", "AS") else 0.0
    if ware.type == "graduated cylinder":
        return DISSOLVING + MAKE_UP_CYLINDER + better
    large = (ware.nominal_ml or 0.0) > LARGE_FLASK_ML
    return DISSOLVING + (MAKE_UP_LARGE_FLASK if large else MAKE_UP_FLASK) + better
