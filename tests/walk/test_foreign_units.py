#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""The program asks Modbus servers that nobody here wrote (pymodbus): RTU on a pseudo-terminal, and a converter with several units behind one TCP
connection. What it shows must be what stands in their registers; a unit that isn't there, and registers that aren't, are named as such.

Sources: Modbus Application Protocol V1.1b3, 6.3, 6.4 and 7 (exceptions 02 and 0B); the maps are config/maps/scaled-16.yaml and drive-a.yaml, read off by hand.
"""
import asyncio
import json
import logging
import os
import pathlib
import pty
import select
import shutil
import subprocess
import tempfile
import threading
import tty

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer
from pymodbus.transaction import ModbusRtuFramer

from walk import BINARY, SOURCE, free_port, main, wait_for

CONFIG = """\
site: heron-ridge
box: heron-edge-1
lines:
  pad-line: {{serial: {directory}/pad-line, speed: 19200 baud, frame: 8N1, response_timeout: 1 s, listen_first: 0 s}}
  skid-line: {{tcp: 127.0.0.1:{port}, response_timeout: 2 s}}
wells:
  heron-7:
    table_block: 0
    sources:
      gauge:
        - {{from: 2025-01-10T08:00:00Z, line: pad-line, unit_id: 17, map: scaled-16, poll_every: 1 s, refresh: 1 s, confirmed_units: all}}
      drive:
        - {{from: 2025-01-10T08:00:00Z, line: skid-line, unit_id: 5, map: drive-a, poll_every: 1 s, confirmed_units: all}}
  heron-8:
    table_block: 1
    sources:
      drive:
        - {{from: 2025-01-10T08:00:00Z, line: skid-line, unit_id: 6, map: drive-a, poll_every: 1 s, confirmed_units: all}}
  heron-9:
    table_block: 2
    sources:
      drive:
        - {{from: 2025-01-10T08:00:00Z, line: skid-line, unit_id: 99, map: drive-a, poll_every: 1 s, confirmed_units: all}}
journal: {{path: {directory}/journal}}
"""

# Words of the gauge's input registers, and what they are (scaled-16): 0.001 MPa, 0.1 degC, 0.001 g, 0.01 mA; 0xFFFF and 0: not fitted.
GAUGE = {0: 1, 16: 12345, 17: 874, 18: 1021, 19: 1013, 20: 0xFFFF, 21: 0, 22: 880, 24: 120, 25: 95, 28: 101, 29: 5000, 30: 1200, 31: 1234,
         40: 0xFF9C, 41: 241, 44: 1500, 45: 700, 46: 0xFFF6}
GAUGE_SAYS = {"intake_pressure": 12345, "intake_temperature": 87.4, "vibration_x": 0.120 * 9.80665, "insulation_resistance": 5000,
              "surface_unit_temperature": -10, "tubing_head_pressure": 1500, "wellhead_temperature": -1}
# Of the drive's holding registers, register 1 being 0 on the wire (drive-a): bits, 0.01 Hz, 0.1 A, packed decimal, two words, a pair modulo 10,000.
DRIVE = [1, 0, 5025, 615, 614, 616, 615, 0x0387, 2890, 611, 0x0001, 0xE240, 851, 0xFFFB, 874, 3456, 12]
DRIVE_SAYS = {"drive_frequency": 50.25, "motor_current": 61.5, "drive_output_voltage": 387, "motor_power": 123.456, "power_factor": 0.851,
              "drive_temperature": -5, "motor_energy": 123456}


def words_of(registers, n):
    return ModbusSequentialDataBlock(0, [registers.get(i, 0) for i in range(n)])


def unit(holding=None, inputs=None):
    return ModbusSlaveContext(hr=holding, ir=inputs, zero_mode=True)


def serve(start):
    threading.Thread(target=lambda: asyncio.run(start()), daemon=True).start()


def join(directory):
    """Two pseudo-terminals that are one pair of wires: the server's, and the one that the program opens."""
    near, far = pty.openpty(), pty.openpty()
    for fd in near + far:
        tty.setraw(fd)
    os.symlink(os.ttyname(near[1]), directory / "pad-line")

    def relay():
        while True:
            for fd in select.select([near[0], far[0]], [], [])[0]:
                os.write(far[0] if fd == near[0] else near[0], os.read(fd, 512))
    threading.Thread(target=relay, daemon=True).start()
    return os.ttyname(far[1])


def read(directory, well):
    asked = subprocess.run([BINARY, "read", well, "--journal", directory / "journal", "--json"], capture_output=True, text=True)
    if asked.returncode != 0:
        return {}
    return {channel["channel"]: channel for channel in json.loads(asked.stdout)["channels"] if channel["source"] != "derived"}


def is_so(directory, well, says):
    now = read(directory, well)
    return now and all(point in now and now[point]["reason"] == "good" and abs(now[point]["value"] - value) <= 0.0051 * max(1, abs(value) / 100)
                       for point, value in says.items()) and now


def units_that_nobody_here_wrote():
    """Each value is that of the server's registers, before and after they change; what isn't there is named."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    directory = pathlib.Path(tempfile.mkdtemp(prefix="uphole-foreign-"))
    port = free_port()
    gauge, drive = words_of(GAUGE, 64), ModbusSequentialDataBlock(0, DRIVE + [0] * 60)
    serve(lambda: StartAsyncSerialServer(context=ModbusServerContext({17: unit(inputs=gauge)}, single=False), framer=ModbusRtuFramer,
                                         port=join(directory), baudrate=19200, timeout=0.01))
    few = ModbusSequentialDataBlock(0, DRIVE[:10])
    serve(lambda: StartAsyncTcpServer(context=ModbusServerContext({5: unit(holding=drive), 6: unit(holding=few)}, single=False), address=("127.0.0.1", port)))
    (directory / "uphole.yaml").write_text(CONFIG.format(directory=directory, port=port))
    with open(directory / "log", "w", encoding="utf-8") as log:
        daemon = subprocess.Popen([BINARY, "run", "--config", directory / "uphole.yaml", "--maps", SOURCE / "config/maps"], stdout=log, stderr=log)
    try:
        now = wait_for("the registers' values", 30, lambda: is_so(directory, "heron-7", {**GAUGE_SAYS, **DRIVE_SAYS}))
        assert now["discharge_pressure"]["reason"] == "not_fitted" and now["discharge_pressure"]["value"] is None, now["discharge_pressure"]
        gauge.setValues(16, [12401, 901])
        drive.setValues(2, [4811])
        wait_for("the new values", 15, lambda: is_so(directory, "heron-7", {"intake_pressure": 12401, "intake_temperature": 90.1, "drive_frequency": 48.11}))
        missing = wait_for("a unit without the registers", 15, lambda: read(directory, "heron-8"))
        assert {c["reason"] for c in missing.values()} == {"channel_fault"}, missing
        for channel in missing.values():
            assert channel["value"] is None, channel
        assert not [c for c in read(directory, "heron-9").values() if c["value"] is not None]
        log = (directory / "log").read_text()
        told = [line for line in log.splitlines() if "exception 02" in line]
        assert len(told) == 1 and "heron-8" in told[0], log
    except AssertionError:
        print((directory / "log").read_text()[:6000])
        for well in ("heron-7", "heron-8", "heron-9"):
            print(well, {k: (v.get("value"), v.get("reason")) for k, v in read(directory, well).items()})
        raise
    finally:
        daemon.terminate()
        daemon.wait(30)
        shutil.rmtree(directory, ignore_errors=True)


if __name__ == "__main__":
    main(units_that_nobody_here_wrote)
