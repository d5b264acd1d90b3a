"""CPU time of programs, figures with their spread, and the table that they go into."""

import os
import resource
import statistics
import subprocess
import threading
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
WORK = ROOT / "target" / "bench"
# Another build can be named, to compare it.
PRODUCT = Path(os.environ.get("TALLYHOOK_BENCH_PRODUCT", ROOT / "target" / "release" / "tallyhook"))
LIBRARY = ROOT / "target" / "release" / "examples" / "speed"
FLOORS = WORK / "floors"
RUNS = 5


def cpu(command, **more):
    """CPU-seconds (user and system) of a program from its start to its end, its largest memory in MB, and its output."""
    process = subprocess.Popen([str(word) for word in command], stdout=subprocess.PIPE, **more)
    # Not ru_maxrss, in which a program starts with the memory of the one that started it.
    peaks, ended = [0.0], threading.Event()
    watcher = threading.Thread(target=watch_memory, args=(process.pid, peaks, ended))
    watcher.start()
    output = process.stdout.read()
    ended.set()
    watcher.join()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise SystemExit(f"tests/bench: {command} ended with {process.returncode}")
    return used.ru_utime + used.ru_stime, max(peaks), output.decode()


def watch_memory(pid, peaks, ended):
    """Notes the largest resident memory of a process, MB, until `ended`."""
    while True:
        try:
            status = Path(f"/proc/{pid}/status").read_text()
        except OSError:
            return
        peaks.extend(int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM:"))
        if ended.wait(0.01):
            return


def own_cpu():
    """CPU-seconds of this program itself, all its threads."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


class Figure:
    """One measured thing: several readings in one unit."""

    def __init__(self, name, readings, unit):
        self.name, self.readings, self.unit = name, sorted(readings), unit

    @property
    def median(self):
        return statistics.median(self.readings)


class Table:
    """Figures under a heading, each beside the floor of its group; a goal says what the issue asks of ours."""

    def __init__(self):
        self.lines = []

    def heading(self, text, note=""):
        self.add(f"\n## {text}\n")
        if note:
            self.add(note + "\n")

    def group(self, title, figures, goal=None):
        """`figures`: ours first, then floors. `goal`: (what it says, whether ours holds it)."""
        self.add(f"\n{title}\n")
        self.add("| | min | median | max | unit | ours is |")
        self.add("| --- | ---: | ---: | ---: | --- | ---: |")
        ours = figures[0]
        for figure in figures:
            ratio = "" if figure is ours or figure.median == 0 else f"{ours.median / figure.median:.2f} ×"
            low, middle, high = (f"{v:.4g}" for v in (figure.readings[0], figure.median, figure.readings[-1]))
            self.add(f"| {figure.name} | {low} | {middle} | {high} | {figure.unit} | {ratio} |")
        if goal:
            self.goal(*goal)

    def goal(self, text, holds):
        self.add(f"\nGoal: {text}: **{'holds' if holds else 'does not hold'}**.")

    def add(self, line):
        print(line, flush=True)
        self.lines.append(line)
