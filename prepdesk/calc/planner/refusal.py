"""How the planner says no: a problem raised to where the plan is put together."""

from prepdesk.calc.errors import CalcError, Problem


class Impossible(CalcError):
    """Chemistry, the shelf or the apparatus forbids what was asked; carries the problem to show."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.text)
        self.problem = problem


def stop(code: str, text: str) -> Problem:
    """A problem that a person must decide before anything is made."""
    return Problem(code, text, "stop")


def warn(code: str, text: str) -> Problem:
    """A problem that a person must know of."""
    return Problem(code, text, "warn")
