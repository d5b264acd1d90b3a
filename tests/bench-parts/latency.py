"""From a register that changes to the message at the broker's subscriber, beside the bare way over the broker."""

import bisect
import json
import shutil
import socket
import socketserver
import struct
import subprocess
import threading
import time

from daemon import free_ports
from measure import PRODUCT, WORK, Figure

CROSSINGS = 50
GOLDEN = (5**0.5 - 1) / 2
POLL_S = 0.1
ROUND_TRIPS = 1000

SITE = """
[site]
name = "Northquay store yard"
time_zone = "UTC"
[store]
directory = "data"
[page]
listen = "127.0.0.1:{page}"
[mqtt]
host = "127.0.0.1"
port = {broker}
[drive.d]
address = "127.0.0.1:{device}"
poll = "{poll_ms:.0f}ms"
[[crane]]
id = "yard"
group = "A7"
[[crane.mechanism]]
id = "hoist"
kind = "hoist"
group = "M7"
rated_load_kg = 12500
drive = "d"
[crane.mechanism.signals]
load_kg = {{ table = "holding", address = 0, type = "i32", word_order = "high-first", scale = 0.1, unit = "kg" }}
raising = {{ table = "holding", address = 2, type = "bit", bit = 0 }}
lowering = {{ table = "holding", address = 2, type = "bit", bit = 1 }}
[crane.mechanism.warn]
starts_per_hour = {levels}
"""


class Device:
    """A Modbus TCP server whose one bit changes at known times; what is asked for is answered as it is at that moment."""

    def __init__(self, port, edges):
        # On at each even one, off at each odd one.
        self.edges = edges
        device = self

        class Asked(socketserver.BaseRequestHandler):
            def handle(self):
                self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                while head := self.request.recv(12):
                    transaction, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", head)
                    on = bisect.bisect_right(device.edges, time.time()) % 2
                    words = [on if address + i == 2 else 0 for i in range(count)]
                    body = struct.pack(f">BBB{count}H", unit, function, 2 * count, *words)
                    self.request.sendall(struct.pack(">HHH", transaction, 0, len(body)) + body)

        class Server(socketserver.ThreadingTCPServer):
            allow_reuse_address = daemon_threads = True

        self.server = Server(("127.0.0.1", port), Asked)
        threading.Thread(target=self.server.serve_forever, daemon=True).start()


def round_trips(port):
    """Milliseconds from a publish at QoS 1 to its acknowledgement, on one connection."""
    with socket.create_connection(("127.0.0.1", port)) as broker:
        broker.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        body = b"\x00\x04MQTT\x04\x02\x00\x3c" + b"\x00\x05floor"
        broker.sendall(bytes([0x10, len(body)]) + body)
        assert broker.recv(4) == b"\x20\x02\x00\x00"
        took = []
        for n in range(1, ROUND_TRIPS + 1):
            packet = b"\x00\x05floor" + struct.pack(">H", n) + b"x" * 100
            began = time.perf_counter()
            broker.sendall(bytes([0x32, len(packet)]) + packet)
            answer = broker.recv(4)
            took.append((time.perf_counter() - began) * 1000)
            assert answer == b"\x40\x02" + struct.pack(">H", n), answer
        return took


def crossings():
    """Milliseconds from each start, which crosses the next level, to its warning at the subscriber; and the floor."""
    home = WORK / "latency"
    shutil.rmtree(home, ignore_errors=True)
    home.mkdir(parents=True)
    device, broker, page = free_ports(3)
    (home / "broker.conf").write_text(f"listener {broker} 127.0.0.1\nallow_anonymous true\nuser root\n")
    (home / "site.toml").write_text(
        SITE.format(
            device=device, broker=broker, page=page, poll_ms=POLL_S * 1000, levels=list(range(1, CROSSINGS + 1))
        )
    )
    begin = time.time() + 8
    starts = [begin]
    for _ in range(CROSSINGS - 1):
        # On all phases of the poll alike: by this step, the golden section of a period, no phase is met twice, and none
        # is far from one that is met. With phases left to chance the median of as few would be 7 ms off.
        starts.append(starts[-1] + 0.7 + POLL_S * GOLDEN)
    drive = Device(device, [edge for start in starts for edge in (start, start + 0.35)])
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    log = open(home / "log", "w")
    processes = [subprocess.Popen(["mosquitto", "-c", home / "broker.conf"], **quiet)]
    try:
        time.sleep(1)
        floor = round_trips(broker)
        heard = ["stdbuf", "-oL", "mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker), "-q", "1"]
        heard += ["-t", "tallyhook/yard/hoist/warning", "-F", "%U %p", "-C", str(CROSSINGS), "-W", "90"]
        subscriber = subprocess.Popen(heard, stdout=subprocess.PIPE, text=True)
        processes.append(subscriber)
        time.sleep(0.5)
        run = [PRODUCT, "run", "--config", "site.toml"]
        processes.append(subprocess.Popen(run, cwd=home, stdout=log, stderr=log))
        took = []
        for line in subscriber.stdout:
            came, body = line.split(" ", 1)
            level = int(json.loads(body)["level"])
            took.append((float(came) - starts[level - 1]) * 1000)
    finally:
        for process in processes:
            process.terminate()
            process.wait()
        drive.server.shutdown()
    if len(took) != CROSSINGS:
        raise SystemExit(f"tests/bench: {len(took)} of {CROSSINGS} warnings came; see {home / 'log'}")
    return took, floor


def latency(table):
    table.heading(
        "From a register to the subscriber",
        f"Wall time, for once. Each of {CROSSINGS} starts crosses a level and is a warning at `mosquitto_sub`; polled each"
        f" {POLL_S * 1000:.0f} ms, changes on all phases of the poll alike.",
    )
    took, floor = crossings()
    ours = Figure("register to warning", took, "ms")
    base = Figure("MQTT QoS 1 round trip, loopback", floor, "ms")
    most = POLL_S * 1000 / 2 + 5
    table.group("One hoist at 10 Hz", [ours, base], (f"median at most {most:.0f} ms", ours.median <= most))
