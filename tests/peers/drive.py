"""A Modbus TCP drive that is not ours: pymodbus serves registers that play a plan in real time.

Usage: drive.py PORT PLAN.json START
PLAN.json: a list of [seconds, load_kg_from, load_kg_to, up, down], one after the other.
START: the Unix time in seconds at which the plan begins.

Holding registers: 0-1 load, signed 32 bit, 0.1 kg, high word first; 2 status word, bit 0 up, bit 1 down.
"""

import asyncio
import bisect
import json
import sys
import time

from pymodbus.server import StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

port, plan_file, start = int(sys.argv[1]), sys.argv[2], float(sys.argv[3])
with open(plan_file, encoding="utf-8") as file:
    plan = json.load(file)
ends, total = [], 0.0
for segment in plan:
    total += segment[0]
    ends.append(total)


def state(now):
    """Load in kg, up, down at `now` seconds of the plan."""
    if now < 0 or now >= total:
        return 0.0, 0, 0
    i = bisect.bisect_right(ends, now)
    seconds, low, high, up, down = plan[i]
    share = 1.0 - (ends[i] - now) / seconds
    return low + (high - low) * share, up, down


async def play(_function, _start, _address, _count, registers, _set_values):
    load, up, down = state(time.time() - start)
    raw = round(load * 10) & 0xFFFFFFFF
    registers[0:3] = [raw >> 16, raw & 0xFFFF, up | down << 1]


device = SimDevice(id=1, simdata=[SimData(0, values=[0, 0, 0], datatype=DataType.REGISTERS)], action=play)
print("ready", flush=True)
asyncio.run(StartAsyncTcpServer(device, address=("127.0.0.1", port)))
