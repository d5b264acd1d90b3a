"""Runs the parts of `tests/bench` and writes their table."""

import datetime
import os
import platform
import sys

import arithmetic
import daemon
import latency
import years
from measure import ROOT, Table

PARTS = {
    "library": arithmetic.library,
    "replay": arithmetic.replay,
    "daemon": daemon.daemon,
    "writes": daemon.writes,
    "growth": daemon.growth,
    "latency": latency.latency,
    "ten-years": years.years,
    "size": daemon.size,
}


def machine():
    model = "unknown"
    for line in open("/proc/cpuinfo"):
        if line.startswith("model name"):
            model = line.split(":", 1)[1].strip()
            break
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return (
        f"{os.cpu_count()} cores of a virtual machine ({model}), {memory:.0f} GiB, Linux {platform.release()},"
        f" load {os.getloadavg()[0]:.1f} at the start"
    )


def main():
    wanted = sys.argv[1:] or list(PARTS)
    unknown = [name for name in wanted if name not in PARTS]
    if unknown:
        sys.exit(f"tests/bench: there is no part {unknown[0]}; the parts are {', '.join(PARTS)}")
    table = Table()
    table.add("# What it costs")
    table.add(f"\nMeasured by `tests/bench` on {datetime.date.today().isoformat()}: {machine()}.\n")
    table.add(
        "CPU time, user and system, of the whole process unless said otherwise; never wall time, because the machine is\n"
        "shared. At least five runs. `ours is`: ours over the floor, by the medians. A figure of one machine: compare the\n"
        "ratios."
    )
    for name in wanted:
        PARTS[name](table)
    if not sys.argv[1:]:
        (ROOT / "tests" / "bench-results.md").write_text("\n".join(table.lines) + "\n")


main()
