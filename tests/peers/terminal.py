"""A terminal for a program: what comes on standard input is typed, what the program writes goes to standard output.

Usage: terminal.py PROGRAM ARGUMENT...
At the end of standard input nothing more is typed, and the terminal stays. Exit status: the program's.

The program does not lead the terminal's session: when a leader ends, the kernel hangs the terminal up and drops what was
not read of it. So a process of ours leads it, and stays until all has been read. It says which kind of terminal it is, as
any does, whatever this was started from: on one of no kind programs draw nothing.
"""

import os
import pty
import select
import signal
import sys

os.environ["TERM"] = "xterm"
# How long nothing must have come after the program's end.
QUIET_S = 0.3

ended, ends = os.pipe()
leader, terminal = pty.fork()
if leader == 0:
    program = os.fork()
    if program == 0:
        os.execv(sys.argv[1], sys.argv[1:])
    # What is typed to interrupt is for the program.
    for one in (signal.SIGINT, signal.SIGQUIT):
        signal.signal(one, signal.SIG_IGN)
    _, status = os.waitpid(program, 0)
    os.write(ends, bytes([os.waitstatus_to_exitcode(status) & 0xFF]))
    signal.pause()

status = None
sources = [terminal, 0, ended]
while True:
    ready, _, _ = select.select(sources, [], [], None if status is None else QUIET_S)
    if 0 in ready:
        keys = os.read(0, 4096)
        if keys:
            os.write(terminal, keys)
        else:
            sources.remove(0)
    if ended in ready:
        status = os.read(ended, 1)[0]
        sources = [terminal]
    if terminal in ready:
        os.write(1, os.read(terminal, 4096))
    elif status is not None and not ready:
        break
os.kill(leader, signal.SIGKILL)
os.waitpid(leader, 0)
sys.exit(status)
