"""A terminal for a program: what comes on standard input is typed, what the program writes goes to standard output.

Usage: terminal.py PROGRAM ARGUMENT...
At the end of standard input nothing more is typed, and the terminal stays. Exit status: the program's.
"""

import os
import pty
import select
import sys

child, terminal = pty.fork()
if child == 0:
    os.execv(sys.argv[1], sys.argv[1:])

sources = [terminal, 0]
while True:
    ready, _, _ = select.select(sources, [], [])
    if 0 in ready:
        keys = os.read(0, 4096)
        if keys:
            os.write(terminal, keys)
        else:
            sources.remove(0)
    if terminal in ready:
        try:
            shown = os.read(terminal, 4096)
        except OSError:
            # Linux says so where the program has gone.
            break
        if not shown:
            break
        os.write(1, shown)
_, status = os.waitpid(child, 0)
sys.exit(os.waitstatus_to_exitcode(status))
