"""Rounds, spread and the machine: what every row of the bench is measured with."""

import os
import platform
import statistics
from dataclasses import dataclass, field
from pathlib import Path

TICKS = os.sysconf("SC_CLK_TCK")
PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True)
class Row:
    """One line of the table; ``met`` is None where there is no target to meet."""

    what: str
    figure: str
    target: str = ""
    met: bool | None = None


@dataclass
class Section:
    """One part of the bench: its rows, and the bars that are drawn from it.

    ``faults`` are answers that were wrong, in words: with one of them the bench fails.
    """

    title: str
    rows: list[Row] = field(default_factory=list)
    bars: list[tuple[str, float]] = field(default_factory=list)
    bar_unit: str = ""
    note: str = ""
    faults: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Spread:
    """Median and range of repeated measures."""

    values: tuple[float, ...]

    @property
    def median(self) -> float:
        """The middle one."""
        return statistics.median(self.values)

    def say(self, unit: str, digits: int = 1) -> str:
        """Return median and range in words."""
        low, high = min(self.values), max(self.values)
        said = f"{self.median:,.{digits}f} {unit}".rstrip()
        return f"{said} ({low:,.{digits}f} to {high:,.{digits}f})"


def percentile(values: list[float], share: float) -> float:
    """Return the value that the given share of all does not exceed (nearest rank)."""
    ordered = sorted(values)
    rank = max(1, -(-len(ordered) * round(share * 100) // 100))
    return ordered[rank - 1]


def cpu_seconds(pid: int) -> float:
    """Return the processor time a process has used, its threads included."""
    parts = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(parts[11]) + int(parts[12])) / TICKS


def resident_mb(pid: int) -> float:
    """Return the memory of a process that is in RAM, in MB (10^6 bytes)."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * PAGE / 1e6


def describe_machine() -> str:
    """Return the machine in one line, with the load it is under now."""
    cpu = next(
        (
            line.split(":", 1)[1].strip()
            for line in Path("/proc/cpuinfo").read_text().splitlines()
            if line.startswith("model name")
        ),
        platform.machine(),
    )
    memory_kb = int(Path("/proc/meminfo").read_text().split()[1])
    load = ", ".join(f"{one:.2f}" for one in os.getloadavg())
    return (
        f"{os.cpu_count()} cores ({cpu}), {memory_kb / 1e6:.0f} GB, "
        f"{platform.freedesktop_os_release().get('PRETTY_NAME', 'Linux')}, "
        f"Python {platform.python_version()}; load {load}"
    )
