"""What a process frees goes back to the machine: seen in a process of its own, from outside (proc(5))."""

import platform
import subprocess
import sys

import pytest

from controller.memory import give_back, stay_small

# A check of a password takes 16 MB (scrypt's 128 * N * r, RFC 7914 section 2); here in two threads, as in the
# page.  What is then still held is told, in kB.
CHECKS = """
import hashlib, threading
from pathlib import Path
from controller.memory import stay_small

def held_kb():
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))

def check():
    hashlib.scrypt(b"guess", salt=b"salt" * 4, n=2**14, r=8, p=1, maxmem=64 * 1024 * 1024)

if {small}:
    stay_small()
check()
before_kb = held_kb()
for _ in range(3):
    threads = [threading.Thread(target=check) for _ in range(2)]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]
print(held_kb() - before_kb)
"""


def kept_kb(*, small):
    command = [sys.executable, "-c", CHECKS.format(small=small)]
    return int(subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc keeps what is freed")
def test_what_checking_passwords_took_is_not_kept():
    assert kept_kb(small=False) > 12_000, "else there is nothing to mend"
    assert kept_kb(small=True) < 4_000


def test_where_the_allocator_is_another_nothing_happens(monkeypatch):
    monkeypatch.setattr("controller.memory.ctypes.CDLL", lambda _: object())
    stay_small()
    give_back()
