"""The sentences of a sheet: print-ready, imperative, one thing to do in each.

Pure text from names and amounts; what is said where is decided in :mod:`prepdesk.calc.planner`.
"""

from collections.abc import Sequence
from datetime import date
from typing import Final

from prepdesk.calc.model import Amount, Apparatus

_COUNTS: Final = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five", 6: "six", 7: "seven", 8: "eight",
                  9: "nine", 10: "ten", 11: "eleven", 12: "twelve"}  # fmt: skip
_MONTHS: Final = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
                  "October", "November", "December")  # fmt: skip
_TIMES: Final = {2: "twice", 3: "three times"}
# What goes into the weighing bottles of a teaching laboratory (common practice).
SMALL_BOTTLE_G: Final = 50.0


def shown(amount: Amount) -> str:
    """An amount with its unit, as ``58.44 g``."""
    return f"{amount.text} {amount.unit}"


def day(iso: str) -> str:
    """An ISO date in words, empty for none.

    >>> day("2027-03-05")
    '5 March 2027'
    """
    if not iso:
        return ""
    found = date.fromisoformat(iso)
    return f"{found.day} {_MONTHS[found.month - 1]} {found.year}"


def count(number: int) -> str:
    """A small number in words."""
    return _COUNTS.get(number, str(number))


def joined(words: Sequence[str]) -> str:
    """Words in a list, as ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def names(words: Sequence[str], article: str = "") -> str:
    """Names in a list, each once."""
    return joined([f"{article}{word}" for word in dict.fromkeys(words)])


def size(ware: Apparatus) -> str:
    """Name of glassware with its size and class, as ``500 mL one-mark flask (class A)``."""
    nominal = ware.nominal_ml or 0.0
    volume = f"{nominal / 1000:g} L" if nominal >= 5000 else f"{nominal:g} mL"
    if ware.type == "piston pipette" and nominal < 5:
        volume = f"{nominal * 1000:g} µL"
    mark = f" (class {ware.apparatus_class})" if ware.apparatus_class else ""
    return f"{volume} {ware.type}{mark}"


def balance(item: Apparatus) -> str:
    """Name of a balance by what it shows."""
    return f"balance that reads to {item.readability_g:g} g"


def tool(item: Apparatus) -> str:
    """Name of any apparatus."""
    return balance(item) if item.type == "balance" else size(item)


def a(words: str) -> str:
    """The words with their indefinite article; numbers are read aloud ("an 8 mL …")."""
    return f"{'an' if words[:1] in 'aeio8' else 'a'} {words}"


# --- weighing and measuring -------------------------------------------------------------------
def weigh_solid(amount: Amount, what: str, item: Apparatus, *, portion: str, coarse: bool, damp: bool) -> str:
    """Weigh a solid."""
    first = "Grind a little more than needed in a mortar. " if coarse else ""
    last = " Use a closed weighing bottle and don't wait: it takes up water." if damp else ""
    return f"{first}Weigh {portion}{shown(amount)} of {what} on the {balance(item)}.{last}"


def weigh_liquid(amount: Amount, what: str, item: Apparatus, *, portion: str) -> str:
    """Weigh a liquid, into a bottle that holds it with room at the top."""
    bottle = (
        "a small stoppered bottle"
        if amount.value <= SMALL_BOTTLE_G
        else "a stoppered bottle that takes it all"
    )
    return (
        f"Weigh {portion}{shown(amount)} of {what} into {bottle} on the {balance(item)};"
        " add the last of it drop by drop."
    )


def measure(amount: Amount, what: str, ware: Apparatus, *, times: int, portion: str, into: str) -> str:
    """Measure a liquid by volume."""
    target = f" into {into}" if into else ""
    if ware.type == "one-mark pipette":
        each = f"{ware.nominal_ml:g} mL"
        if times == 1:
            return f"Pipette {each} of {what}{target} with the {size(ware)}."
        return (
            f"Pipette {_TIMES.get(times, f'{times} times')} {each} of {what}{target} with the {size(ware)}"
            f" ({shown(amount)} in all)."
        )
    if ware.type == "piston pipette":
        each = f"{amount.value / times * 1000:g} µL"
        often = "" if times == 1 else f" {_TIMES.get(times, f'{times} times')}"
        return f"Set the {size(ware)} to {each} and dispense{often} {what}{target} ({shown(amount)} in all)."
    if ware.type == "burette":
        return f"Run {shown(amount)} of {what}{target} from the {size(ware)}; read before and after."
    return f"Measure {portion}{shown(amount)} of {what}{target} with the {size(ware)}."


def pour_out(amount: Amount, what: str, ware: Apparatus, *, portion: str) -> str:
    """A solution that is used as it stands there."""
    return (
        f"Measure {portion}{shown(amount)} of {what} with the {size(ware)}."
        " It is used as it is: nothing is added, and what it is measured with is dry or rinsed with it."
    )


def weigh_water(amount: Amount, solvent: str, vessel: str, item: Apparatus, *, portion: str) -> str:
    """Weigh the solvent into the vessel it is mixed in."""
    start = f"Set {vessel} on the {balance(item)}, tare it"
    return f"{start}, and weigh {portion}{shown(amount)} of {solvent} into it."


def rinse_small(solvent: str) -> str:
    """Nothing may be added to a solution that is weighed together."""
    return f"Pour back and forth to rinse what held it; add no more {solvent} than the sheet says."


def mix_weighed(vessel: str) -> str:
    """Mix a solution that was weighed together."""
    return f"Stir in {vessel} until all of it is equal. It is made by mass: don't make it up to a mark."


# --- bringing it into solution ------------------------------------------------------------------
def water_first(water: Amount, vessel: str) -> str:
    """Most of the water goes into the vessel before an acid does."""
    return f"Put about {shown(water)} of water into {vessel}, standing in a bath of cold water."


def add_slowly(what: str, vessel: str) -> str:
    """A liquid that heats the water it goes into."""
    return (
        f"Pour {what} into the water in {vessel}, a little at a time, stirring all the while."
        " Never pour water into it."
    )


def add_to(what: str, vessel: str) -> str:
    """A liquid that mixes quietly."""
    return f"Add {what} to {vessel} and stir."


def dissolve(what: str, water: Amount | None, vessel: str, solvent: str, *, hot: bool, portions: bool) -> str:
    """Dissolve one or more solids."""
    how = " in small portions" if portions else ""
    start = f"Put about {shown(water)} of {solvent} into {vessel}. " if water is not None else ""
    where = "it" if water is not None else vessel
    cool = " Let it cool: it gets warm as it dissolves." if hot else ""
    return f"{start}Add {what}{how} to {where} and stir until all has dissolved.{cool}"


def dissolve_after(what: str, medium: str, vessel: str) -> str:
    """Dissolve what takes a solution of another component and hardly dissolves in water."""
    return (
        f"Add {what} to the {medium} solution in {vessel}, cover it and stir until all has dissolved, which"
        f" takes its time. It dissolves in {medium} solution and hardly in water: add no more water before."
    )


def dissolve_in_flask(what: str, water: Amount, flask: str, solvent: str, *, hot: bool) -> str:
    """Dissolve in the flask itself, where there is no beaker."""
    cool = " Let it cool before going on." if hot else ""
    return (
        f"Bring {what} into {flask} through a funnel, rinse the funnel, add {solvent} up to about"
        f" {shown(water)} and swirl until all has dissolved.{cool}"
    )


def transfer(source: str, vessel: str, solvent: str) -> str:
    """Carry a solution over without leaving any of it behind."""
    return (
        f"Pour the solution from {source} into {vessel}. Rinse what held it and the funnel three times with"
        f" a little {solvent} and add the rinsings."
    )


def make_up_flask(flask: str, solvent: str, temperature: str, *, tempered: bool) -> str:
    """Make up to a single mark."""
    start = (
        f"Stand the stoppered flask and a bottle of {solvent} in a water bath until both are at {temperature}"
        " within 1 °C. Then make up"
        if tempered
        else f"When it is at {temperature}, make up"
    )
    return (
        f"{start} with {solvent} to the mark of {flask}: the lowest point of the meniscus on the line at eye"
        " level, the last drops from a dropping pipette."
    )


def make_up_cylinder(volume: Amount, cylinder: str, solvent: str, temperature: str) -> str:
    """Make up to a line of a scale."""
    return (
        f"When it is at {temperature}, make up with {solvent} to {shown(volume)} in {cylinder},"
        " read at eye level."
    )


def mark_carboy(volume: Amount, portions: int, cylinder: str, carboy: str, solvent: str) -> str:
    """Find the level of a large volume by portions of a cylinder."""
    return (
        f"Measure {shown(volume)} of {solvent} into {carboy} in {count(portions)} portions with {cylinder}."
        " Stand the carboy level, mark the height of the liquid on a strip of tape, then empty it."
    )


def make_up_carboy(carboy: str, volume: Amount, solvent: str, temperature: str) -> str:
    """Make up to the level marked before."""
    return (
        f"When it is at {temperature}, make up with {solvent} to the {shown(volume)} level marked on"
        f" {carboy}, read at the height of the tape."
    )


def mix_flask() -> str:
    """Mix in a stoppered flask."""
    return "Stopper the flask and turn it over at least ten times, letting the bubble rise each time."


def mix_open(vessel: str) -> str:
    """Mix what a cylinder or a bottle holds."""
    return f"Pour it into {vessel} and stir well: a cylinder does not mix."


def mix_carboy(carboy: str) -> str:
    """Mix a large volume."""
    return f"Close {carboy} and roll or stir it for several minutes, until all of it is equal."


def filling(turn: int, fillings: int) -> str:
    """Which of several fillings a step belongs to."""
    return f"Filling {turn} of {fillings}."


def bottle(place: int, of: int) -> str:
    """Which of several bottles of one substance a step takes from."""
    return f"Bottle {place} of {of}."


def rest_of_it() -> str:
    """Before a step that makes up for a bottle that ran out."""
    return "The rest from another bottle."


def to_what_is_there() -> str:
    """Both bottles give one amount."""
    return "It goes with what the first bottle gave."


def set_aside(turn: int, vessel: str) -> str:
    """Empty the measuring vessel for the next filling."""
    return f"Pour it into {vessel}." if vessel else f"Pour it into a clean, dry bottle numbered {turn}."


def pool(fillings: int, vessel: str) -> str:
    """Make several fillings equal, where a vessel holds them all."""
    if not vessel:
        return (
            f"Keep the {count(fillings)} fillings in bottles numbered 1 to {fillings}: no vessel here holds"
            " all of it, and each is within the tolerance by itself."
        )
    all_of_them = "both" if fillings == 2 else f"all {count(fillings)}"
    return f"When {all_of_them} fillings are in {vessel}, mix until all of it is equal."


def store(storage: str, carboy: str = "", bottles: int = 1) -> str:
    """Into its bottle, or left in the carboy or the numbered bottles it stands in already."""
    if bottles > 1:
        return f"Leave it in the {count(bottles)} numbered bottles, closed. {storage}".strip()
    if carboy:
        return f"Keep it in {carboy}, closed. {storage}".strip()
    return f"Pour it into a clean, dry bottle rinsed with a little of it. {storage}".strip()


def rinse_for_reuse(flask: str, what: str, solvent: str) -> str:
    """Free a flask whose intermediate solution has served."""
    return (
        f"Empty {flask} that holds {what}, as your local rules for waste say: nothing more is taken of it,"
        f" and the flask is needed again. Rinse it three times with {solvent}."
    )


def keep_intermediate() -> str:
    """An intermediate gets its own label, or it will be taken for something else."""
    return "Label it as intermediate solution at once."


def label(title: str, volume: Amount, temperature: str, bottles: int = 1) -> str:
    """What stands on the bottle, or on each of several."""
    which = "the bottle" if bottles == 1 else f"each of the {count(bottles)} bottles with its number"
    return (
        f"Label {which}: {title}, {shown(volume)}, made up at {temperature}; the concentration found,"
        " hazards, date, your name and the date until when it may be used."
    )


def label_poured(title: str, volume: Amount, code: str) -> str:
    """What stands on the bottle of a solution that was poured from another one."""
    source = f"lot {code}" if code else "the stock"
    return (
        f"Label the bottle: {title}, {shown(volume)}, from {source}; the concentration on its label, hazards,"
        " date and your name, and no later date of use than stands on it."
    )
