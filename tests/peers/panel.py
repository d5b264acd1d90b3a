"""A panel's device that is not ours: pymodbus serves values that it encodes itself, and notes every request.

Usage: panel.py PORT VALUES.json REGISTERS.json REQUESTS.log
VALUES.json: rows of [table, address, type, word order, byte order, value]; table is holding, input, coil or discrete.
REGISTERS.json: written here, the registers of each row as pymodbus made them.
REQUESTS.log: written here, a line a request: function, first address, count, seconds.

Addresses without a value are refused with exception 2.
"""

import asyncio
import json
import sys
import time

from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.server import StartAsyncTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

TYPES = ModbusClientMixin.DATATYPE
OURS = {
    "u16": TYPES.UINT16, "i16": TYPES.INT16, "u32": TYPES.UINT32, "i32": TYPES.INT32, "u64": TYPES.UINT64,
    "i64": TYPES.INT64, "f32": TYPES.FLOAT32, "f64": TYPES.FLOAT64,
}
# What pymodbus has no type for becomes an unsigned integer of the same bits: decimal digits, sign and magnitude.
UNSIGNED = {16: TYPES.UINT16, 32: TYPES.UINT32, 64: TYPES.UINT64}


def encoded(kind, order, value):
    if kind in OURS:
        datatype = OURS[kind]
    else:
        bits = int(kind.lstrip("bcdsm"))
        datatype = UNSIGNED[bits]
        if kind.startswith("bcd"):
            value = int(str(value), 16)
        else:
            value = abs(value) + (1 << (bits - 1) if value < 0 else 0)
    word_order = "little" if order == "low-first" else "big"
    return ModbusClientMixin.convert_to_registers(value, datatype, word_order=word_order)


def main():
    port, values, registers_file, log_file = int(sys.argv[1]), sys.argv[2], sys.argv[3], sys.argv[4]
    with open(values, encoding="utf-8") as file:
        rows = json.load(file)
    # pymodbus wants something in each table.
    tables = {
        "coil": [SimData(65000, values=[False] * 16, datatype=DataType.BITS)],
        "discrete": [SimData(65000, values=[False] * 16, datatype=DataType.BITS)],
        "holding": [SimData(65000, values=[0], datatype=DataType.REGISTERS)],
        "input": [SimData(65000, values=[0], datatype=DataType.REGISTERS)],
    }
    made = []
    for table, address, kind, order, byte_order, value in rows:
        if table in ("coil", "discrete"):
            tables[table].append(SimData(address, values=value, datatype=DataType.BITS))
            made.append(value)
            continue
        registers = encoded(kind, order, value)
        if byte_order == "low-first":
            registers = [int.from_bytes(r.to_bytes(2, "big"), "little") for r in registers]
        tables[table].append(SimData(address, values=registers, datatype=DataType.REGISTERS))
        made.append(registers)
    with open(registers_file, "w", encoding="utf-8") as file:
        json.dump(made, file)
    log = open(log_file, "w", encoding="utf-8", buffering=1)

    async def note(function, _start, address, count, _registers, _set_values):
        log.write(f"{function} {address} {count} {time.monotonic():.6f}\n")

    blocks = tuple(sorted(tables[t], key=lambda d: d.address) for t in ("coil", "discrete", "holding", "input"))
    device = SimDevice(id=1, simdata=blocks, action=note)
    print("ready", flush=True)
    asyncio.run(StartAsyncTcpServer(device, address=("127.0.0.1", port)))


main()
