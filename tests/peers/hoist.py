"""A hoist that is not ours: pymodbus serves what a drive knows of it, and nothing of the load.

Usage: hoist.py PORT ORDERS
PORT: Modbus TCP. Holding registers: 0 motor torque, signed, 0.1 % of rated; 1 speed, signed, 0.1 % of rated;
2 status word, bit 0 up, bit 1 down.
ORDERS: a TCP port that takes orders, a line each: a JSON list of runs, [seconds, way, kg before, kg after, second of
the change, creep at the begin, creep at the end], played one after the other in real time; way 1 up, -1 down, 0 at rest.
`done` comes back when they are played.

Physics: rope drum, gearbox that keeps more for itself under way up than down, friction that drifts, rotor, S-shaped
ramps of one second (or by way of creep speed), noise of half a percent.
"""

import asyncio
import json
import math
import random
import sys
import time

from pymodbus.server import StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

PORT, ORDERS = int(sys.argv[1]), int(sys.argv[2])
DRUM_M, FALLS, GEAR, MOTOR_NM = 0.25, 4.0, 40.0, 300.0
MOTOR_RAD_S, ROTOR_KG_M2 = 1450.0 * 2.0 * math.pi / 60.0, 0.9
UP, DOWN, HOOK_KG = 0.88, 0.80, 150.0

noise = random.Random(7)
begun = time.monotonic()
run = {"way": 0, "kg": 0.0, "speed": 0.0, "change": 0.0}


def smooth(x):
    return 0.5 - 0.5 * math.cos(math.pi * min(max(x, 0.0), 1.0))


def ramp(t, creep):
    return 0.25 * smooth(t / 0.4) + 0.75 * smooth((t - 3.0) / 0.8) if creep else smooth(t)


def torque_pct():
    way, speed = run["way"], run["speed"]
    if way == 0:
        return 0.0
    weight = (run["kg"] + HOOK_KG) * 9.81 * DRUM_M / FALLS / GEAR
    gear = weight / UP if way > 0 else weight * DOWN
    drift = 0.005 * math.sin((time.monotonic() - begun) * 2.0 * math.pi / 60.0)
    friction = (0.02 + drift) * MOTOR_NM * way if speed else 0.0
    rotor = ROTOR_KG_M2 * run["change"] * MOTOR_RAD_S
    return (gear + friction + rotor) / MOTOR_NM * 100.0 + noise.gauss(0.0, 0.5)


async def show(_function, _start, _address, _count, registers, _set_values):
    word = lambda value: round(value * 10.0) & 0xFFFF
    status = (1 if run["way"] > 0 else 0) | (2 if run["way"] < 0 else 0)
    registers[0:3] = [word(torque_pct()), word(run["speed"] * 100.0), status]


async def play(seconds, way, before, after, changes, creep_in, creep_out):
    speed = lambda t: min(ramp(t, creep_in), ramp(seconds - t, creep_out))
    start = time.monotonic()
    while (t := time.monotonic() - start) < seconds:
        share = min(max((t - changes) / 0.4, 0.0), 1.0)
        run["way"], run["kg"] = way, before + (after - before) * share
        run["speed"] = way * speed(t)
        run["change"] = way * (speed(t + 0.01) - speed(t - 0.01)) / 0.02
        await asyncio.sleep(0.01)
    run.update(way=0, kg=after, speed=0.0, change=0.0)


async def orders(reader, writer):
    while line := await reader.readline():
        for order in json.loads(line):
            await play(*order)
        writer.write(b"done\n")
        await writer.drain()


async def main():
    await asyncio.start_server(orders, "127.0.0.1", ORDERS)
    device = SimDevice(id=1, simdata=[SimData(0, values=[0, 0, 0], datatype=DataType.REGISTERS)], action=show)
    print("ready", flush=True)
    await StartAsyncTcpServer(device, address=("127.0.0.1", PORT))


asyncio.run(main())
