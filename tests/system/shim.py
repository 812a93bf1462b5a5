"""The page of memory that rules the preloaded tools/shim.c, and a world whose programs run under it: their
clock can run faster and be stepped, their heap can fail, and their configuration can lie on a slow disk."""

import mmap
import os
import struct
import time

import harness

SHIM = os.environ.get("FAULT_SHIM", "")
HURT = os.environ.get("FAULT_HURT", "")

# struct page of tools/shim.c
SPEED, REAL, SHOWN, WALL, SYNC, ASKED, ASKED_BY_CLIENT, FAIL_AT, FAIL_AT_BY_CLIENT, FAIL_ON, SLOW = range(11)
WORDS = 11
DAY_MS = 86400000


class Page:
    def __init__(self, path, speed=1):
        self.path = path
        with open(path, "wb") as file:
            file.write(bytes(8 * WORDS))
        self.file = open(path, "r+b")
        self.memory = mmap.mmap(self.file.fileno(), 8 * WORDS)
        boot = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        self.put(REAL, boot)
        self.put(SHOWN, boot)
        self.put(WALL, time.clock_gettime_ns(time.CLOCK_REALTIME) - boot)
        self.put(SPEED, speed)

    def follow(self, other):
        """The same clocks; the heap is its own."""
        for word in (REAL, SHOWN, WALL, SPEED):
            self.put(word, other.get(word))

    def put(self, word, value):
        struct.pack_into("<q", self.memory, 8 * word, value)

    def get(self, word):
        return struct.unpack_from("<q", self.memory, 8 * word)[0]

    def step_ms(self, ms):
        """The time of day jumps; the other clocks don't."""
        self.put(WALL, self.get(WALL) + ms * 1000000)

    def boot_ms(self):
        """CLOCK_BOOTTIME as the programs see it."""
        real = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - self.get(REAL)
        return (self.get(SHOWN) + real * self.get(SPEED)) // 1000000

    def close(self):
        self.memory.close()
        self.file.close()


class World(harness.World):
    """Rig and daemons see the page's clock; the broker sees the real one."""

    def __init__(self, rig_options=(), rig=True, speed=1, **site):
        if not os.path.exists(SHIM):
            raise AssertionError("the environment's FAULT_SHIM must name the library to preload")
        self.speed = speed
        self.page = None
        super().__init__(rig_options, rig, **site)

    def start(self, name, command, environment=None, stdin=False):
        if self.page is None:
            self.page = Page(os.path.join(self.folder, "shim.page"), self.speed)
        if name != "broker":
            environment = dict({"LD_PRELOAD": SHIM, "DOSEWRIGHT_SHIM": self.page.path}, **(environment or {}))
        return super().start(name, command, environment, stdin)

    def close(self):
        super().close()
        if self.page:
            self.page.close()
