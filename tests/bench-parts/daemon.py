"""The daemon beside a C loop that only polls: CPU, memory, wake-ups, what is written, and how that grows."""

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import statistics
import subprocess
import time
import urllib.request
from pathlib import Path

from measure import FLOORS, PRODUCT, WORK, Figure, cpu

WINDOW_S = 10
# More than elsewhere: the daily copy and a lift's commit are in some and not in others.
WINDOWS = 9
LIFT_S = 144  # 600 a day
# To see that the growth table runs, in a minute and a half.
SHORT = os.environ.get("TALLYHOOK_BENCH_SHORT") == "1"

HOIST = """
[drive.d{n}]
address = "127.0.0.1:{port}"
poll = "100ms"
readable = {{ holding = "0-19" }}
[[crane]]
id = "yard-{n}"
group = "A7"
[[crane.mechanism]]
id = "hoist-{n}"
kind = "hoist"
group = "M7"
rated_load_kg = 12500
drive = "d{n}"
[crane.mechanism.signals]
load_kg = {{ table = "holding", address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }}
raising = {{ table = "holding", address = 2, type = "bit", bit = 0 }}
lowering = {{ table = "holding", address = 2, type = "bit", bit = 1 }}
fault = {{ table = "holding", address = 3, type = "bit", bit = 0 }}
speed_pct = {{ table = "holding", address = 4, type = "i16", scale = 0.1, unit = "%" }}
height_m = {{ table = "holding", address = 6, type = "i32", word_order = "high-first", scale = 0.001, unit = "m" }}
trolley_m = {{ table = "holding", address = 10, type = "i32", word_order = "high-first", scale = 0.001, unit = "m" }}
bridge_m = {{ table = "holding", address = 18, type = "i32", word_order = "high-first", scale = 0.001, unit = "m" }}
"""


def free_ports(count):
    held = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [one.getsockname()[1] for one in held]
    for one in held:
        one.close()
    return ports


class Site:
    """A broker, devices and the daemon, run by `under` where that is named; each is ended by its own number."""

    def __init__(self, hoists, lift_s=LIFT_S, home="site", under=()):
        self.home = WORK / home
        shutil.rmtree(self.home, ignore_errors=True)
        self.home.mkdir(parents=True)
        *self.ports, broker, page = free_ports(hoists + 2)
        text = f'[site]\nname = "Northquay store yard"\ntime_zone = "UTC"\n[store]\ndirectory = "data"\n'
        text += f'[page]\nlisten = "127.0.0.1:{page}"\n[mqtt]\nhost = "127.0.0.1"\nport = {broker}\n'
        text += "".join(HOIST.format(n=n, port=port) for n, port in enumerate(self.ports))
        (self.home / "site.toml").write_text(text)
        (self.home / "broker.conf").write_text(f"listener {broker} 127.0.0.1\nallow_anonymous true\nuser root\n")
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.broker = subprocess.Popen(["mosquitto", "-c", self.home / "broker.conf"], **quiet)
        self.devices = subprocess.Popen([FLOORS, "serve", str(lift_s), *map(str, self.ports)], stdout=subprocess.PIPE)
        self.devices.stdout.readline()
        self.page = page
        log = open(self.home / "log", "w")
        command = [*under, PRODUCT, "run", "--config", "site.toml"]
        self.daemon = subprocess.Popen(command, cwd=self.home, stdout=log, stderr=log)
        self.proc = Path("/proc") / str(self.daemon.pid)

    def __enter__(self):
        for _ in range(200):
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{self.page}/", timeout=5).read()
                time.sleep(5)
                return self
            except OSError:
                time.sleep(0.1)
        raise SystemExit(f"tests/bench: the daemon did not come up; see {self.home / 'log'}")

    def __exit__(self, *_):
        for process in (self.daemon, self.devices, self.broker):
            process.terminate()
            process.wait()

    def answers(self):
        """How many polls its drives have answered so far."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.page}/api/v1/drives", timeout=30) as page:
            return sum(drive["polls"] - drive["failures"] for drive in json.load(page))

    def is_copied(self):
        """Waits for the copy of the ledger that is made a minute after a start."""
        self.has("data/backup/*.sqlite3", "copy of the ledger")

    def has(self, files, what):
        for _ in range(2400):
            if list(self.home.glob(files)):
                return
            time.sleep(0.1)
        raise SystemExit(f"tests/bench: there is no {what}; see {self.home / 'log'}")

    def settle(self):
        """Has the ledger brought up, by looking at it."""
        subprocess.run([PRODUCT, "status", "--data", self.home / "data"], check=True, stdout=subprocess.DEVNULL)

    def reading(self):
        """CPU-seconds, wake-ups, bytes written so far, resident MB now."""
        # The clock of the process: threads that have ended are in it, and it does not count by the tick.
        used = time.clock_gettime((~self.daemon.pid << 3) | 2)
        waked = 0
        for task in (self.proc / "task").iterdir():
            with contextlib.suppress(FileNotFoundError, ProcessLookupError):
                waked += int(re.search(r"^voluntary_ctxt_switches:\s*(\d+)", (task / "status").read_text(), re.M)[1])
        written = int(re.search(r"write_bytes: (\d+)", (self.proc / "io").read_text())[1])
        memory = int(re.search(r"VmRSS:\s*(\d+)", (self.proc / "status").read_text())[1]) / 1024
        return used, waked, written, memory

    @contextlib.contextmanager
    def halted(self):
        """The daemon does nothing meanwhile; then it has five seconds to find its feet."""
        self.daemon.send_signal(signal.SIGSTOP)
        yield
        self.daemon.send_signal(signal.SIGCONT)
        time.sleep(5)

    def window(self, seconds):
        """What a second costs, over a window: CPU-seconds a minute, wake-ups a second, bytes a day, resident MB."""
        before, began = self.reading(), time.monotonic()
        time.sleep(seconds)
        after, spent = self.reading(), time.monotonic() - began
        used, waked, written = (b - a for a, b in zip(before[:3], after[:3]))
        return used / spent * 60, waked / spent, written / spent * 86_400, after[3]


def daemon(table):
    table.heading("The daemon", "10 Hz, 20 registers, a lift every 144 s, broker and page live. CPU-seconds a minute.")
    for hoists, memory_mb in ((1, 12), (32, 20)):
        # In turn: the machine itself is now faster, now slower. Each alone: who polls beside another finds the kernel's
        # part of it warm.
        windows, floor = [], []
        with Site(hoists) as site:
            for _ in range(WINDOWS):
                windows.append(site.window(WINDOW_S))
                with site.halted():
                    floor.append(cpu([FLOORS, "poll", WINDOW_S, 20, *site.ports])[0] / WINDOW_S * 60)
        ours = Figure("tallyhook, everything", [w[0] for w in windows], "CPU-s/min")
        base = Figure("libmodbus in C, polling only", floor, "CPU-s/min")
        table.group(f"{hoists} devices", [ours, base], ("at most 1.6 ×", ours.median <= 1.6 * base.median))
        memory = max(w[3] for w in windows)
        table.goal(f"resident at most {memory_mb} MB, here {memory:.1f}", memory <= memory_mb)
        waked = Figure("wake-ups", [w[1] for w in windows], "1/s").median
        most = hoists * 10 + 10
        table.goal(f"at most {most} wake-ups a second, here {waked:.0f}", waked <= most)


def writes(table):
    """An hour of work in the rhythm of 600 lifts a day with its way from the redo log into the ledger, then rest."""
    note = "`write_bytes` of `/proc/PID/io`, one hoist. The daily copy is left out: it follows the ledger's size."
    table.heading("Written to disk", note)
    lifts = 3600 // LIFT_S
    with Site(1) as site:
        site.is_copied()
        # Its first commits go to the ledger itself, and the redo log takes its room once.
        site.has("data/ledger.redo", "redo log")
        site.settle()
        before = site.reading()[2]
        time.sleep(lifts * LIFT_S)
        lifted = site.reading()[2]
        site.settle()
        settled = site.reading()[2]
    table.add(f"{lifts} lifts: {lifted - before:,} bytes; then their way into the ledger: {settled - lifted:,} bytes.")
    day = (settled - before) / lifts * 600
    table.goal(f"at most 12 MB in a day of 600 lifts, here {day / 1e6:.1f}", day <= 12e6)
    with Site(1, lift_s=10_000_000) as site:
        site.is_copied()
        site.settle()
        _, _, resting, _ = site.window(120)
    table.goal(f"nothing while nothing moves, here {resting / 720:.0f} bytes in two minutes", resting == 0)


def line(hoists, values):
    """The straight line through them by least squares, in words, what a hoist adds, and what there is without any."""
    slope, base = statistics.linear_regression(hoists, values)
    off = max(abs(value - base - slope * n) for n, value in zip(hoists, values))
    return f"{base:.3g} + {slope:.3g} n, off by {off:.2g} at most", slope, base


def growth(table):
    """All sizes beside one another over one lift of each hoist, so that each has had the same of the machine."""
    lift_s, warm_s = (24, 15) if SHORT else (LIFT_S, 90)
    note = f"A lift every {lift_s} s. One window of {lift_s} s, from {warm_s} s after the last start; all sizes at once."
    if SHORT:
        note += " The short form, to see that it runs: six times as many lifts, and the first daily copies are in it."
    table.heading("Growth", note)
    sizes = (1, 2, 4, 8, 16, 32, 64)
    with contextlib.ExitStack() as running:
        sites = [running.enter_context(Site(hoists, lift_s=lift_s, home=f"site-{hoists}")) for hoists in sizes]
        time.sleep(warm_s)
        for site in sites:
            site.settle()
        answered = [-site.answers() for site in sites]
        before, began = [site.reading() for site in sites], time.monotonic()
        time.sleep(lift_s)
        after, spent = [site.reading() for site in sites], time.monotonic() - began
        answered = [(a + site.answers()) / spent for a, site in zip(answered, sites)]
        settled = []
        for site, (*_, lifted, _) in zip(sites, after):
            site.settle()
            settled.append(site.reading()[2] - lifted)
    used = [(b[0] - a[0]) / spent * 60 for a, b in zip(before, after)]
    # Into the ledger once an hour, as after this window; more lifts cost more then, but not in their proportion.
    written = [((b[2] - a[2]) / spent * 86_400 + 24 * c) / 1e6 for a, b, c in zip(before, after, settled)]
    memory = [b[3] for b in after]
    table.add("| hoists | polls/s answered | CPU-s/min | resident MB | written MB/day |")
    table.add("| ---: | ---: | ---: | ---: | ---: |")
    for row in zip(sizes, answered, used, memory, written):
        table.add("| {} | {:.1f} | {:.3f} | {:.1f} | {:.1f} |".format(*row))
    for name, values in (("CPU-s/min", used), ("Resident MB", memory), ("Written MB/day", written)):
        table.add(f"\n{name}, n hoists: {line(sizes, values)[0]}.")
    _, slope, base = line(sizes, used)
    table.add(f"\nOne core of this machine is full at {(60 - base) / slope:,.0f} hoists, by that line.")


def size(table):
    table.heading("Size")
    megabytes = PRODUCT.stat().st_size / 1e6
    table.goal(f"stripped release program at most 16 MB, here {megabytes:.1f}", megabytes <= 16)
