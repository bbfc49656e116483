"""Measure alternatives interleaved, so that a busy moment of the machine hits them all alike."""

import statistics
import time
from collections.abc import Callable, Mapping

ROUNDS = 7


def medians(
    ways: Mapping[str, Callable[[], object]], *, repeat: int, rounds: int = ROUNDS
) -> dict[str, float]:
    """Median process time of one call of each way [s], over interleaved rounds of ``repeat`` calls."""
    seen: dict[str, list[float]] = {name: [] for name in ways}
    for way in ways.values():
        way()
    for _ in range(rounds):
        for name, way in ways.items():
            start = time.process_time()
            for _ in range(repeat):
                way()
            seen[name].append((time.process_time() - start) / repeat)
    return {name: statistics.median(values) for name, values in seen.items()}


def show(title: str, figures: Mapping[str, float], *, base: str) -> None:
    """Print each way with its ratio to ``base``."""
    print(f"\n{title}")
    for name, seconds in figures.items():
        print(f"  {name:<58} {seconds * 1000:10.4f} ms   {seconds / figures[base]:8.2f} x")
