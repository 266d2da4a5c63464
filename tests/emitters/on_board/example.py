"""Runs on the board's own Python: an example on pins, a serial port and a radio that stand in for
the hardware; prints "what hex" for all that it sends."""

import sys
import time


class Module:
    pass


class Pin:
    def __init__(self, number):
        self.number = number


class ADC:
    reads = 0

    def __init__(self, pin):
        self.number = pin.number

    def read_u16(self):
        if self.number == 26:  # the current: each sample unlike the next
            ADC.reads += 1
            return ADC.reads - 1
        return {27: 32768, 28: 35760, 29: 47680, 30: 49885, 31: 46875}[self.number]


class UART:
    def __init__(self, number, rate):
        assert rate == 115200

    def write(self, data):
        print("serial", bytes(data).hex())


class UUID:
    def __init__(self, words):
        self.data = bytes.fromhex(words.replace("-", ""))

    def __iter__(self):
        return iter(reversed(self.data))


class BLE:
    turn = 0

    def active(self, on):
        self.on = on

    def config(self, **more):
        self.name = more["gap_name"]

    def irq(self, handler):
        BLE.handler = handler

    def gatts_register_services(self, services):
        ((_, characteristics),) = services
        return (tuple(range(10, 10 + len(characteristics))),)

    def gatts_set_buffer(self, handle, size):
        assert size >= 117

    def gap_advertise(self, interval, adv_data, resp_data):
        assert len(adv_data) <= 31
        print("advertise", adv_data.hex() + resp_data.hex())

    def gatts_write(self, handle, data):
        print("board", bytes(data).hex())

    def gatts_notify(self, connection, handle, data):
        BLE.turn += 1
        if BLE.turn % 3 == 0:
            raise OSError(12)
        print("notify", bytes(data).hex())


now = 0


def ticks_us():
    return now


for name, names in (("machine", (ADC, UART, Pin)), ("bluetooth", (BLE, UUID))):
    module = Module()
    for one in names:
        setattr(module, one.__name__, one)
    sys.modules[name] = module
fake = Module()
fake.ticks_us = ticks_us
fake.ticks_diff = lambda a, b: a - b
fake.time = time
sys.modules["time"] = fake
fake = Module()
fake.urandom = lambda count: bytes(range(1, count + 1))
sys.modules["os"] = fake


def running():
    global now
    now += 1000
    if WHICH == "ble" and now == 500_000:
        BLE.handler(1, (0, 0, b""))
        BLE.handler(21, (0, 103))
        BLE.handler(4, (0, 11))
    if WHICH == "ble" and now == 1_500_000:
        BLE.handler(2, (0, 0, b""))
    if WHICH == "ble" and now == 2_000_000:
        BLE.handler(1, (1, 0, b""))
    return now < 3_000_000


WHICH = open("which.txt").read().strip()  # noqa: PTH123, SIM115
__import__(WHICH).main(running)
