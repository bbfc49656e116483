"""Concentrations of unknowns, drawn by chance: pure, of nothing but the range and a source of chance.

A concentration is one of the values that can be written with the digits of the range: "0.100 to 0.200" has
101 of them. So the samples can be made within the tolerance that those digits promise.

* Where nothing is asked about their distance, each is drawn for itself and uniformly; two may be equal.
* Where any two must lie apart, every set that does so is equally likely. It is not drawn value by value,
  which would crowd the ends: the sets are counted, one is chosen by its number and read off.
* Who gets which is drawn as well, so the order of the codes says nothing about the concentrations. An order
  that happens to rise is kept: throwing it away would say something.
"""

import random
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from prepdesk.calc.typed import TypedNumber

# More values than this in a range are digits that no glass could keep apart.
MOST_VALUES: Final = 20_000


class TooManyDigits(ValueError):
    """The range has more values than anybody could tell apart; ``values`` says how many."""

    def __init__(self, values: int) -> None:
        super().__init__(f"{values} values in the range")
        self.values = values


class DoesNotFit(ValueError):
    """So many samples can't lie so far apart in this range; ``most`` is how many can."""

    def __init__(self, most: int) -> None:
        super().__init__(f"at most {most} fit")
        self.most = most


@dataclass(frozen=True, slots=True)
class Values:
    """The values of a range: ``lowest`` to ``highest`` times ten to the ``place``, both ends included."""

    lowest: int
    highest: int
    place: int

    def __len__(self) -> int:
        return self.highest - self.lowest + 1

    def text(self, value: int) -> str:
        """One of them as it is typed.

        >>> Values(100, 200, -3).text(150)
        '0.150'
        """
        return f"{Decimal(value).scaleb(self.place):f}"


def values_between(lowest: TypedNumber, highest: TypedNumber) -> Values:
    """What can be written between two numbers with the digits of the finer one.

    Args:
        lowest, highest: as typed, in one unit; more than 0, the second one not the smaller.

    Raises:
        TooManyDigits: more than :data:`MOST_VALUES`.

    >>> from prepdesk.calc.typed import parse_positive
    >>> len(values_between(parse_positive("0.100"), parse_positive("0.2")))
    101
    """
    place = min(lowest.last_digit, highest.last_digit)
    first, last = (int(number.value.scaleb(-place)) for number in (lowest, highest))
    values = Values(first, last, place)
    # Not by len(), which Python limits to what a machine word holds.
    count = last - first + 1
    if count > MOST_VALUES:
        raise TooManyDigits(count)
    return values


def most_that_fit(values: Values, apart_percent: Decimal) -> int:
    """How many values lie at least so far apart: the smallest first, then always the next that may follow.

    Args:
        apart_percent: of the lower one of two [%]; more than 0.
    """
    count, value = 0, values.lowest
    while value <= values.highest:
        count += 1
        value = _next_after(value, apart_percent)
    return count


def draw_concentrations(
    values: Values, count: int, *, apart_percent: Decimal | None = None, chance: random.Random | None = None
) -> tuple[str, ...]:
    """Draw the concentrations of so many samples, in the order of their codes.

    Args:
        values: those of the range.
        count: of samples, at least 1.
        apart_percent: any two differ by at least this much of the lower one [%]; None asks nothing.
        chance: where it comes from; the operating system's own source unless a test brings another.

    Raises:
        DoesNotFit: so many can't lie so far apart.
    """
    source = chance or secrets.SystemRandom()
    if apart_percent is None:
        drawn = [source.randrange(values.lowest, values.highest + 1) for _ in range(count)]
    else:
        most = most_that_fit(values, apart_percent)
        if count > most:
            raise DoesNotFit(most)
        drawn = _apart(values, count, apart_percent, source)
        source.shuffle(drawn)
    return tuple(values.text(value) for value in drawn)


def _next_after(value: int, apart_percent: Decimal) -> int:
    """The first whole number that lies far enough above; never the same one again."""
    least = value * (100 + apart_percent) / 100
    return max(value + 1, int(least.to_integral_value(rounding="ROUND_CEILING")))


def _apart(values: Values, count: int, apart_percent: Decimal, chance: random.Random) -> list[int]:
    """One of all rising sets that lie far enough apart, each as likely as any other."""
    size = len(values)
    follows = [
        min(size, _next_after(values.lowest + index, apart_percent) - values.lowest) for index in range(size)
    ]
    ways = _ways(follows, count)
    number = chance.randrange(ways[count][0])
    drawn: list[int] = []
    index = 0
    while len(drawn) < count:
        taking = ways[count - len(drawn) - 1][follows[index]]
        if number < taking:
            drawn.append(values.lowest + index)
            index = follows[index]
        else:
            number -= taking
            index += 1
    return drawn


def _ways(follows: Sequence[int], count: int) -> list[list[int]]:
    """In how many ways 0, 1, 2, … values can be chosen from each index on: ``ways[how_many][index]``."""
    size = len(follows)
    ways = [[1] * (size + 1)]
    for _ in range(count):
        fewer, here = ways[-1], [0] * (size + 1)
        for index in range(size - 1, -1, -1):
            here[index] = here[index + 1] + fewer[follows[index]]
        ways.append(here)
    return ways
