"""Writes agent/layout.ld: the functions that a daemon runs, for the linker: first those of every poll, which are found
cold each time, then those that run most.

The kernel maps a program by 64 KiB around each place that is touched. Where what runs is strewn over what does not, nearly
all of the program becomes resident, and each poll has to find its code anew.
"""

import collections
import re
import subprocess
import threading
import time
import urllib.request
from pathlib import Path

from daemon import Site
from measure import PRODUCT, ROOT, WORK

LIFT_S = 12
SECONDS = 60
# Then for so long it only polls and lifts.
POLLING_S = 24

HEAD = """\
/* Functions that every daemon runs (start, polls, lifts, commits, messages, a page left open): first those of every poll,
   then those that run most; behind them, for another compiler, all that are alike but for a hash. Beside one another they
   take less memory and are found sooner. Written by tests/bench-parts/layout; a function that is not named here, or no longer
   there, is laid out as it would be without. */
SECTIONS {
  .text.run : {
"""
TAIL = """\
  }
}
INSERT BEFORE .text;
"""


def leave_open(page):
    """A page that somebody has left open: it hears of new figures."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{page}/events", timeout=30) as events:
            while events.read(1):
                pass
    except OSError:
        pass


def run(profile):
    """Instructions by function, of a daemon from its start to its end, and which of them run at every poll."""
    counting = ("valgrind", "--tool=callgrind", "--demangle=no", f"--callgrind-out-file={profile}")
    for old in profile.parent.glob(f"{profile.name}*"):
        old.unlink()
    with Site(1, lift_s=LIFT_S, home="layout", under=counting) as site:
        threading.Thread(target=leave_open, args=(site.page,), daemon=True).start()
        time.sleep(SECONDS)
        polls = -site.answers()
        dump(site)
        time.sleep(POLLING_S)
        dump(site)
        polls += site.answers()
    costs, polled = collections.Counter(), set()
    for part in (f"{profile}.1", f"{profile}.2", profile):
        cost, calls = counted(Path(part))
        costs += cost
        if str(part).endswith(".2"):
            polled = {name for name in cost if calls[name] >= 0.9 * polls}
    return costs, polled


def dump(site):
    """Has callgrind write what it has counted, and begin anew."""
    subprocess.run(["callgrind_control", "--dump", str(site.daemon.pid)], check=True, stdout=subprocess.DEVNULL)


def counted(profile):
    """Instructions and calls by function."""
    names, objects, costs, calls = {}, {}, collections.Counter(), collections.Counter()
    ours = is_call = False
    function = called = None
    for line in profile.read_text().splitlines():
        if named := re.match(r"c?(ob|fn)=\((\d+)\)(?: (.*))?$", line):
            kind, number, name = named.groups()
            known = objects if kind == "ob" else names
            if name:
                known[number] = name
            if line.startswith("ob="):
                ours = known[number] == str(PRODUCT)
            elif line.startswith("fn="):
                function = known[number]
            elif line.startswith("cfn="):
                called = known[number]
        elif line.startswith("calls="):
            is_call = True  # The next line's cost is that of what was called.
            calls[re.sub(r"'\d+$", "", called)] += int(line.removeprefix("calls=").split()[0])
        elif re.match(r"[-+*\d]", line):
            if ours and not is_call:
                costs[re.sub(r"'\d+$", "", function)] += int(line.split()[-1])
            is_call = False
    return costs, calls


def exact(symbol):
    """The input section of a symbol as this compiler names it."""
    if rust := re.match(r"_ZN.*17h[0-9a-f]{16}E", symbol):
        return rust[0] + "*"
    return re.sub(r"\.llvm\.\d+$", "*", re.sub(r"\.(constprop|isra|part)\.\d+", ".*", symbol))


def alike(symbol):
    """The same for any compiler and any state of the types it is made for: without the hashes."""
    if rust := re.match(r"(_ZN.*17h)[0-9a-f]{16}E", symbol):
        return rust[1] + "*"
    return re.sub(r"Cs[0-9A-Za-z]+_", "Cs*_", symbol) if symbol.startswith("_R") else symbol


def main():
    WORK.mkdir(parents=True, exist_ok=True)
    costs, polled = run(WORK / "layout.callgrind")
    # Functions with the same instructions are one, under one of their names.
    listed = subprocess.run(["nm", "--defined-only", PRODUCT], capture_output=True, text=True, check=True).stdout
    address = {name: at for at, kind, name in map(str.split, listed.splitlines()) if kind in "tTwW"}
    names = collections.defaultdict(list)
    for name, at in address.items():
        names[at].append(name)
    sections, first = collections.Counter(), set()
    for name, cost in costs.items():
        for one in map(exact, names.get(address.get(name), [])):
            sections[one] += cost
            if name in polled:
                first.add(one)
    if len(sections) < 1_000:
        raise SystemExit(f"layout: only {len(sections)} functions were seen; is {PRODUCT} built without its names?")
    ordered = sorted(sections, key=lambda name: (name not in first, -sections[name], name))
    # What is alike comes behind all of them: of a function made for many types only some run.
    ordered += [name for name in dict.fromkeys(map(alike, ordered)) if name not in sections]
    lines = "".join(f"    *(.text*.{name})\n" for name in ordered)
    (ROOT / "agent" / "layout.ld").write_text(HEAD + lines + TAIL)
    print(f"layout: {len(sections)} functions named, {len(first)} of them run at every poll")


main()
