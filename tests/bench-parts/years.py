"""A store of ten years, two million lifts: what is asked of it, and what that costs."""

import shutil
import signal
import socket
import subprocess
import time
import urllib.request

from daemon import free_ports
from measure import PRODUCT, ROOT, RUNS, WORK, Figure, cpu

DAYS = 3650
FILL = ROOT / "target" / "release" / "examples" / "ten_years"
HOIST = "/mechanism/main-hoist"
API = "/api/v1/mechanisms/main-hoist"
# Each view's data, then the heaviest questions that a person can ask of it.
VIEWS = [
    ("all mechanisms", "/"),
    ("life used", HOIST),
    ("work of a year", HOIST + "/work?year=2024"),
    ("work of the newest year", HOIST + "/work"),
    ("lifts", HOIST + "/lifts"),
    ("lifts of ten years by load", HOIST + "/lifts?sort=load"),
    ("lifts of ten years by cost", HOIST + "/lifts?sort=cost"),
    ("lifts of ten years by running time", HOIST + "/lifts?sort=running"),
    ("overloads of ten years by cost", HOIST + "/lifts?overload=1&sort=cost"),
    ("what if, nothing changed", HOIST + "/whatif"),
    ("what if, another rating", HOIST + "/whatif?rated=12&above=split"),
    ("upkeep", HOIST + "/upkeep"),
    ("warnings", HOIST + "/warnings"),
    ("drive side", HOIST + "/drive"),
    ("status, JSON", "/api/v1/status"),
    ("days of a year, JSON", API + "/days?from=2024-01-01&to=2024-12-31"),
    ("metrics", "/metrics"),
]


def spent_ms(pid):
    """CPU that a process has had, ms, with all its threads, also those that have ended."""
    # The number that clock_getcpuclockid(3) gives on Linux.
    return time.clock_gettime((~pid << 3) | 2) * 1000


def start(home, drive):
    """Starts the daemon; gives it, and the CPU ms and wall ms until the drive got its first request."""
    with socket.create_server(("127.0.0.1", drive)) as device:
        begun = time.monotonic()
        log = open(home / "log", "w")
        daemon = subprocess.Popen([PRODUCT, "run", "--config", "site.toml"], cwd=home, stdout=log, stderr=log)
        device.settimeout(60)
        link, _ = device.accept()
        link.recv(1)
        wall = (time.monotonic() - begun) * 1000
        used = spent_ms(daemon.pid)
        link.close()
    return daemon, used, wall


def stop(daemon):
    daemon.send_signal(signal.SIGINT)
    if daemon.wait(timeout=60) != 0:
        raise SystemExit("tests/bench: the daemon did not end well")


def years(table):
    home = WORK / "years"
    shutil.rmtree(home, ignore_errors=True)
    drive, page = free_ports(2)
    subprocess.run([FILL, home, str(DAYS), f"127.0.0.1:{drive}", f"127.0.0.1:{page}"], check=True)
    size = (home / "data" / "ledger.sqlite3").stat().st_size / 1e6
    table.heading("Ten years", f"600 lifts a day for {DAYS} days, filled in by the product's own books; {size:.0f} MB.")

    used, wall = [], []
    for _ in range(RUNS):
        daemon, one, other = start(home, drive)
        used.append(one)
        wall.append(other)
        stop(daemon)
    figures = [Figure("CPU", used, "ms"), Figure("by the clock, whatever else the machine did", wall, "ms")]
    table.group("Start to first poll", figures, ("by the clock under 200", figures[1].median < 200))

    daemon, _, _ = start(home, drive)
    try:
        # At its start it copies the ledger and proves the copy, and after two seconds looks through all lifts once; that is
        # no view's work.
        time.sleep(4)
        for _ in range(300):
            before = spent_ms(daemon.pid)
            time.sleep(1)
            if spent_ms(daemon.pid) - before < 10:
                break
        table.add("\nA view's data: the daemon's CPU for one answer, ms, everything in it; `first` is the first look after a start.\n")
        table.add("| | first | min | median | max |")
        table.add("| --- | ---: | ---: | ---: | ---: |")
        slow = []
        for name, path in VIEWS:
            readings = []
            for _ in range(RUNS + 1):
                before = spent_ms(daemon.pid)
                urllib.request.urlopen(f"http://127.0.0.1:{page}{path}", timeout=60).read()
                readings.append(spent_ms(daemon.pid) - before)
            figure = Figure(name, readings[1:], "ms")
            low, middle, high = figure.readings[0], figure.median, figure.readings[-1]
            table.add(f"| {name} | {readings[0]:.1f} | {low:.1f} | {middle:.1f} | {high:.1f} |")
            if middle >= 20:
                slow.append(name)
            elif readings[0] >= 20:
                slow.append(f"the first look at {name}")
        table.goal("each under 20" + (f"; slower: {', '.join(slow)}" if slow else ""), not slow)
    finally:
        stop(daemon)

    for title, arguments, most in [
        ("`report` of a year", ["report", "--data", "data", "--year", "2024", "--out", "record.html"], 0.3),
        ("`whatif`, another rating", ["whatif", "--data", "data", "--rated-load-kg", "12000", "--above", "split"], 0.3),
        ("`verify` of everything", ["verify", "--data", "data"], 20),
    ]:
        figure = Figure("tallyhook", [cpu([PRODUCT, *arguments], cwd=home)[0] for _ in range(RUNS)], "CPU-s")
        table.group(title, [figure], (f"under {most} s", figure.median < most))
    shutil.rmtree(home)
