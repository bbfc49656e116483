"""An order whose salt stands in two bottles, neither of them enough: the old one gives what it has."""

from typing import Final

from requests_app.demo.days import DemoOrder
from requests_app.demo.scenario import DemoLot

OLD_AND_NEW: Final = (
    DemoLot(
        "sodium-nitrate",
        "31.4",
        "Oxidiser cabinet",
        assay="98.5",
        assay_tolerance="0.3",
        grade="laboratory reagent",
        came=-500,
        opened=-480,
        expires=90,
        note="the last of it",
    ),
    DemoLot(
        "sodium-nitrate", "40", "Oxidiser cabinet", assay="99.5", assay_tolerance="0.2", came=-20, opened=None
    ),
)
# The first bottle is weighed already; whoever opens the batch stands before the second one.
FROM_TWO_BOTTLES: Final = DemoOrder(
    "instructor",
    "CH 101",
    "A B",
    (("sodium-nitrate", "0.50", "mol/L"),),
    "35",
    12,
    "210",
    5.0,
    "work",
    steps=1,
)
