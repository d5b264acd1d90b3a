"""A Modbus server made of pymodbus, which is not ours.

Usage: modbus_server.py tcp PORT | rtu DEVICE BAUD | rtu-over-tcp PORT, then UNIT and TABLE ADDRESS VALUE as often as
wanted, and again for further units: `unit 2 holding 0 17 coil 3 1 unit 3 …`.

Each table has 200 addresses: holding a -> 7 a + 1, input a -> 5 a + 3, coil a is on where 3 divides a, discrete input
a where 5 does, unless a value is given. A unit that is not given keeps silent.
"""

import asyncio
import sys

from pymodbus import FramerType
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

kind, words = sys.argv[1], sys.argv[2:]
place, words = words[0], words[1:]
if kind == "rtu":
    baud, words = int(words[0]), words[1:]

tables = {}
while words:
    if words[0] == "unit":
        unit, words = int(words[1]), words[2:]
        tables[unit] = {
            "coil": [a % 3 == 0 for a in range(200)],
            "discrete": [a % 5 == 0 for a in range(200)],
            "holding": [7 * a + 1 for a in range(200)],
            "input": [5 * a + 3 for a in range(200)],
        }
    else:
        table, address, value = words[0], int(words[1]), int(words[2])
        tables[unit][table][address] = bool(value) if table in ("coil", "discrete") else value
        words = words[3:]


# The server refuses for units that are not there; on a line nobody answers for them.
answer = ServerRequestHandler.server_send
ServerRequestHandler.server_send = lambda self, pdu, addr: answer(self, pdu, addr) if pdu.dev_id in tables else None


def device(unit, of):
    bits = [[SimData(0, values=of[t], datatype=DataType.BITS)] for t in ("coil", "discrete")]
    registers = [[SimData(0, values=of[t], datatype=DataType.REGISTERS)] for t in ("holding", "input")]
    return SimDevice(id=unit, simdata=(*bits, *registers))


async def serve():
    devices = [device(unit, of) for unit, of in tables.items()]
    print("ready", flush=True)
    if kind == "rtu":
        await StartAsyncSerialServer(
            devices, port=place, baudrate=baud, parity="N", stopbits=1, framer=FramerType.RTU
        )
    else:
        framer = FramerType.RTU if kind == "rtu-over-tcp" else FramerType.SOCKET
        await StartAsyncTcpServer(devices, address=("127.0.0.1", int(place)), framer=framer)


asyncio.run(serve())
